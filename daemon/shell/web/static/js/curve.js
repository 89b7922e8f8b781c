// The night as a curve: history with zoom, the forecast fan after now, marks as lines.

import { button, make } from "./dom.js";
import { chart, dashOf, faint, legend, seriesInk } from "./chart.js";
import { ask, live } from "./live.js";
import { clock, plain, unit, when } from "./words.js";

const HOUR = 3600;
const [LEAST, MOST] = [300, 72 * HOUR]; // s shown at once
const [LOOK_BACK, MARGIN] = [24 * HOUR, 1.05]; // s searched for the beginning, and the room left before it
const LETTERS = {
  log: "log",
  "log-added": "log?",
  "lid-open": "lid",
  "lid-opened": "lid?",
  wrapped: "wrap",
  "probed-tender": "tender",
  off: "off",
  hold: "hold",
};

/** A fan's value at any time inside it, in a straight line between its points; null outside. */
function between(fan, time, key) {
  const next = fan.findIndex((point) => point.time >= time);
  if (next < 0) return null;
  if (next === 0) return fan[0].time === time ? fan[0][key] : null;
  const [a, b] = [fan[next - 1], fan[next]];
  return a[key] + ((b[key] - a[key]) * (time - a.time)) / (b.time - a.time);
}

export function curveRoom(root) {
  const box = make("div", { class: "chart" });
  const [names, marksBox, status] = [
    make("div", {}),
    make("div", {}),
    make("p", { class: "quiet", role: "status" }),
  ];
  let view = null; // until the beginning of what there is has been found
  let drawnAt = -Infinity;
  let asked = 0;

  /** No finer than the minutes that the watch keeps: finer buckets would stand alone and draw no line. */
  const pointsFor = (span) =>
    Math.max(2, Math.min(1000, Math.max(200, Math.round(box.clientWidth)), Math.floor(span / 60)));

  async function show() {
    const snapshot = live.snapshot;
    if (!snapshot) return;
    drawnAt = snapshot.time;
    view ??= { end: null, span: await sinceTheBeginning(snapshot) };
    asked += 1;
    const mine = asked;
    const end = view.end ?? snapshot.time;
    const start = end - view.span;
    try {
      const history = await ask(`/api/history?start=${start}&end=${end}&points=${pointsFor(view.span)}`);
      if (mine !== asked || !box.isConnected) return;
      await paint(history, snapshot, view.end === null);
      status.textContent = `${when(start, snapshot)} to ${when(end, snapshot)}`;
    } catch (error) {
      status.textContent = error.message;
    }
  }

  /** s from the first value of the last day until now, so that the curve opens on all there is. */
  async function sinceTheBeginning(snapshot) {
    try {
      const { time, channels } = await ask(
        `/api/history?start=${snapshot.time - LOOK_BACK}&end=${snapshot.time}&points=288`,
      );
      const first = time.find((_, index) => channels.some((channel) => channel.low[index] !== null));
      return Math.min(LOOK_BACK, Math.max(2 * LEAST, (snapshot.time - (first ?? snapshot.time)) * MARGIN));
    } catch {
      return 4 * HOUR;
    }
  }

  async function paint(history, snapshot, withForecast) {
    const offset = snapshot.wall_offset;
    const names_of = new Map(snapshot.channels.map((channel) => [channel.id, channel.name]));
    const x = history.time.map((time) => time + offset);
    const ahead = withForecast ? snapshot.pieces.filter((piece) => piece.fan.length > 1) : [];
    const horizon = snapshot.time + view.span / 2;
    const later = [...new Set(ahead.flatMap((piece) => piece.fan.map((point) => point.time)))]
      .filter((t) => t > snapshot.time && t < horizon)
      .sort((a, b) => a - b);
    const gap = later.map(() => null);
    const before = history.time.map(() => null);
    const [lines, fills] = [[], []];
    history.channels.forEach((channel, index) => {
      const ink = seriesInk(index);
      lines.push({
        label: `${channel.id} highest`,
        values: [...channel.high, ...gap],
        ink,
        dash: dashOf(Math.floor(index / 2)),
      });
      lines.push({
        label: `${channel.id} lowest`,
        values: [...channel.low, ...gap],
        ink: "transparent",
        width: 0,
      });
      fills.push([lines.length - 2, lines.length - 1, faint(ink)]);
    });
    for (const piece of ahead) {
      const ink = seriesInk(
        Math.max(
          0,
          history.channels.findIndex((channel) => channel.id === piece.channel),
        ),
      );
      const value = (key) => [...before, ...later.map((time) => between(piece.fan, time, key))];
      for (const key of ["p95", "p50", "p05"])
        lines.push({
          label: `${piece.id} ${key}`,
          values: value(key),
          ink: key === "p50" ? ink : "transparent",
          dash: [5, 4],
          width: key === "p50" ? 2 : 0,
        });
      fills.push([lines.length - 3, lines.length - 1, faint(ink)]);
    }
    const marks = history.marks.map((mark) => ({
      x: mark.time + offset,
      text: LETTERS[mark.kind] ?? plain(mark.kind),
    }));
    for (const alarm of snapshot.alarms) marks.push({ x: alarm.raised_at + offset, text: "!" });
    if (withForecast && snapshot.serve_at !== null)
      marks.push({ x: snapshot.serve_at + offset, text: "serve" });
    await chart(box, [...x, ...later.map((time) => time + offset)], lines, {
      fills,
      bands: [[snapshot.pit.band.low, snapshot.pit.band.high]],
      marks,
      label: "Temperatures over time; the readings of now are in words in the room Pit",
      zoomed: (from, to) => look((from + to) / 2 - offset, to - from),
    });
    // the axis spans what was asked for, not what the buckets reach
    if (!withForecast) box.plot?.setScale("x", { min: history.start + offset, max: history.end + offset });
    names.replaceChildren(
      legend(
        history.channels.map((channel) => names_of.get(channel.id) ?? channel.id),
        history.channels.map((_channel, index) => dashOf(Math.floor(index / 2))),
      ),
    );
    const meat = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
    marksBox.replaceChildren(
      history.marks.length === 0
        ? make("p", { class: "quiet" }, "No marks in this span.")
        : make(
            "details",
            {},
            make("summary", {}, "Marks in this span"),
            make(
              "ul",
              { class: "list" },
              ...history.marks.map((mark) =>
                make(
                  "li",
                  {},
                  `${clock(mark.time, snapshot)} ${plain(mark.kind)}${mark.piece ? `, ${meat.get(mark.piece) ?? mark.piece}` : ""}`,
                ),
              ),
            ),
          ),
    );
  }

  /** Show `wanted` s around `middle`; what reaches into the future follows the watch. */
  function look(middle, wanted) {
    const span = Math.min(MOST, Math.max(LEAST, wanted));
    const end = middle + span / 2;
    view = { end: end >= live.snapshot.time ? null : end, span };
    show();
  }
  const spanButton = (text, hours) =>
    button(text, () => {
      view = { end: null, span: hours * HOUR };
      show();
    });
  const move = (text, change) =>
    button(text, () => {
      if (view === null) return;
      const end = view.end ?? live.snapshot.time;
      look(...change(end - view.span / 2, view.span));
    });
  root.replaceChildren(
    make(
      "section",
      { class: "plate" },
      make("div", { class: "row" }, make("h2", {}, "The night as a curve"), status),
      box,
      names,
      make(
        "div",
        { class: "buttons tight" },
        spanButton("1 h", 1),
        spanButton("4 h", 4),
        spanButton("12 h", 12),
        spanButton("24 h", 24),
      ),
      make(
        "div",
        { class: "buttons tight" },
        move("Earlier", (middle, span) => [middle - span / 2, span]),
        move("Later", (middle, span) => [middle + span / 2, span]),
        move("Closer", (middle, span) => [middle, span / 2]),
        move("Wider", (middle, span) => [middle, span * 2]),
      ),
      make(
        "p",
        { class: "quiet" },
        `Or drag the curve along, and pull it apart with two fingers. All in ${unit()}; the shaded strip is the band, "!" an alarm.`,
      ),
      marksBox,
    ),
  );
  const update = (snapshot) => {
    if (
      (view?.end ?? null) === null &&
      !box.hasAttribute("data-held") &&
      (snapshot.time - drawnAt > 30 || snapshot.time < drawnAt)
    )
      show();
  };
  return { update, tick() {} };
}
