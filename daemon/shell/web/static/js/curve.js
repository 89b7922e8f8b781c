// The cook as a curve from its beginning: what was read, the forecast fans after now, the serving time, marks and alarms.

import { across, bullets, button, fold, make, muted, say } from "./dom.js";
import { chart, dashOf, legend } from "./chart.js";
import { ask, live } from "./live.js";
import { LETTERS, marksList, SMALL } from "./marked.js";
import { plotted } from "./plotted.js";
import { degrees, plain, shown, when } from "./words.js";
import { t } from "./texts.js";

const HOUR = 3600;
const [LEAST, MOST] = [300, 72 * HOUR]; // s shown at once
const [LOOK_BACK, MARGIN] = [48 * HOUR, 1.03]; // s searched for the beginning, and the room left before it
const AHEAD = 18 * HOUR; // s after now up to which the whole cook is shown

/** s from the beginning of the cook until now; without a cook, from the first value there is. */
async function sinceTheBeginning(snapshot) {
  const { time, channels } = await ask(
    `/api/history?start=${snapshot.time - LOOK_BACK}&end=${snapshot.time}&points=576`,
  );
  const first = time.find((_, index) => channels.some((channel) => channel.low[index] !== null));
  const began = Math.max(first ?? snapshot.time, snapshot.shift.cook_since ?? 0);
  return Math.min(LOOK_BACK, Math.max(2 * LEAST, (snapshot.time - began) * MARGIN));
}

function marksOn(history, snapshot, ahead) {
  const lines = history.marks.map(({ time, kind }) => ({
    x: time,
    text: LETTERS[kind] ?? plain(kind),
    small: SMALL.has(kind),
  }));
  for (const raised of new Set(snapshot.alarms.map(({ raised_at }) => raised_at)))
    lines.push({ x: raised, text: "!" });
  if (ahead && snapshot.serve_at !== null) lines.push({ x: snapshot.serve_at, text: t("curve.serve") });
  return lines.map((line) => ({ ...line, x: line.x + snapshot.wall_offset }));
}

export function curveRoom(root) {
  const box = make("div", { class: "chart" });
  const [names, marksBox] = [make("div", {}), make("div", {})];
  const [status, moment] = [
    make("p", { class: "quiet", role: "status" }),
    make("p", { class: "quiet", role: "status" }),
  ];
  let view = { end: null, span: null }; // span null: the whole cook
  let [drawnAt, asked] = [-Infinity, 0];
  let begins = null; // engine time at which the whole cook begins, once it is known

  /** No finer than the minutes that the watch keeps: finer buckets would stand alone and draw no line. */
  const pointsFor = (span) =>
    Math.max(2, Math.min(1000, Math.max(200, Math.round(box.clientWidth)), Math.floor(span / 60)));

  async function show() {
    const snapshot = live.snapshot;
    if (!snapshot) return;
    drawnAt = snapshot.time;
    asked += 1;
    const mine = asked;
    try {
      const whole = view.span === null;
      const span = whole ? await sinceTheBeginning(snapshot) : view.span;
      const end = view.end ?? snapshot.time;
      if (whole) begins = end - span;
      const history = await ask(`/api/history?start=${end - span}&end=${end}&points=${pointsFor(span)}`);
      if (mine !== asked || !box.isConnected) return;
      const ahead = view.end === null ? (whole ? AHEAD : (view.ahead ?? span / 2)) : null;
      await paint(history, snapshot, ahead);
      if (mine === asked)
        say(status, t("curve.from-to", { from: when(end - span, snapshot), until: when(end, snapshot) }));
    } catch (error) {
      if (mine === asked) say(status, error.message);
    }
  }

  async function paint(history, snapshot, ahead) {
    const offset = snapshot.wall_offset;
    const read = history.channels.filter(({ low }) => low.some((value) => value !== null));
    if (read.length === 0 && (ahead === null || snapshot.pieces.every(({ fan }) => fan.length < 2))) {
      box.plot?.destroy();
      box.plot = null;
      const why = view.end === null ? t("curve.no-probe-was-read-yet") : t("curve.nothing-was-read-in-this");
      box.className = "chart note";
      box.replaceChildren(make("p", {}, why));
      names.replaceChildren();
      marksBox.replaceChildren();
      return;
    }
    const plot = plotted(
      { ...history, channels: read },
      snapshot,
      ahead === null ? null : snapshot.time + ahead,
    );
    const named = new Map(snapshot.channels.map((channel) => [channel.id, channel]));
    const values = read.map(() => make("strong", { class: "num" }));
    const tell = (index) => {
      say(moment, when(index === null ? snapshot.time : plot.times[index], snapshot));
      read.forEach((channel, line) => {
        const now = named.get(channel.id)?.celsius ?? null;
        say(values[line], index !== null ? plot.at(index, channel) : now === null ? "" : degrees(now));
      });
    };
    await chart(box, plot.x, plot.lines, {
      fills: plot.fills,
      bands: [[snapshot.pit.band.low, snapshot.pit.band.high]],
      marks: marksOn(history, snapshot, ahead !== null),
      label: t("curve.temperatures-over-time"),
      read: tell,
      whole: () => see({ end: null, span: null }),
      zoomed: (from, to) => look((from + to) / 2 - offset, to - from),
    });
    // the axis spans what was asked for, not what the buckets reach
    if (ahead === null) box.plot?.setScale("x", { min: history.start + offset, max: history.end + offset });
    names.replaceChildren(
      moment,
      legend(
        read.map((channel) => named.get(channel.id)?.name ?? channel.id),
        read.map((_channel, index) => dashOf(Math.floor(index / 2))),
        values,
      ),
      muted(
        t("curve.shaded", {
          low: Math.round(shown(snapshot.pit.band.low)),
          high: degrees(snapshot.pit.band.high),
        }),
      ),
    );
    tell(null);
    marksBox.replaceChildren(marksList(history.marks, snapshot));
  }

  function see(wanted) {
    view = wanted;
    show();
  }
  /** Show `wanted` s around `middle`, both of engine time; what reaches into the future follows the watch. */
  function look(middle, wanted) {
    const total = Math.min(MOST, Math.max(LEAST, wanted));
    const [from, to, now] = [middle - total / 2, middle + total / 2, live.snapshot.time];
    if (to < now) see({ end: to, span: total });
    else see({ end: null, span: Math.max(LEAST, now - from), ahead: Math.max(60, to - now) });
  }
  const spanButton = (text, span) => button(text, () => see({ end: null, span }));
  const move = (text, change) =>
    button(text, () => {
      const end = view.end ?? live.snapshot.time;
      const span = view.span ?? (begins === null ? null : end - begins);
      if (span !== null) look(...change(end - span / 2, span));
    });
  root.replaceChildren(
    make(
      "section",
      { class: "plate", "aria-label": t("curve.curve") },
      across(make("h2", {}, t("curve.the-cook-as-a-curve")), status),
      box,
      names,
      make(
        "div",
        { class: "buttons tight" },
        spanButton(t("curve.whole-cook"), null),
        spanButton("1 h", HOUR),
        spanButton("4 h", 4 * HOUR),
        spanButton("12 h", 12 * HOUR),
        move(t("curve.earlier"), (middle, span) => [middle - span / 2, span]),
        move(t("curve.later"), (middle, span) => [middle + span / 2, span]),
        move(t("curve.closer"), (middle, span) => [middle, span / 2]),
        move(t("curve.wider"), (middle, span) => [middle, span * 2]),
      ),
      fold(
        t("curve.how-to-read-it"),
        bullets(
          ...[
            t("curve.the-shaded-strip-is-the"),
            t("curve.after-now-the-forecast"),
            t("curve.small-triangles-at-the"),
            t("curve.touch-the-curve-to-read"),
            t("curve.on-a-keyboard-arrows"),
          ].map((text) => make("li", {}, text)),
        ),
      ),
      marksBox,
    ),
  );
  const update = (snapshot) => {
    const due = snapshot.time - drawnAt > 30 || snapshot.time < drawnAt;
    if (view.end === null && due && !box.hasAttribute("data-held")) show();
  };
  return { update, tick() {} };
}
