// The pit of the last hour and a half as a short curve in its band, with the time at which the wood is expected to run out.

import { draw } from "./dom.js";
import { ask, live } from "./live.js";
import { isOld, ofPit } from "./pits.js";
import { clock, degrees, shown } from "./words.js";
import { t } from "./texts.js";

const [BACK, AHEAD] = [5400, 3600]; // s shown before and after now
const AGAIN = 30; // s between two questions for what was
const [W, H] = [340, 80];
const FOR_LABELS = 70; // wide enough for the word and the figure of the band side by side

/** °C of all pit probes together in each bucket: the middle of their lowest and highest. */
function pitPoints(history, snapshot) {
  const ids = new Set(
    snapshot.channels.filter((channel) => channel.role === "pit").map((channel) => channel.id),
  );
  const pits = history.channels.filter((channel) => ids.has(channel.id));
  return history.time.flatMap((time, index) => {
    const values = pits.flatMap(({ low, high }) =>
      low[index] === null ? [] : [(low[index] + high[index]) / 2],
    );
    return values.length ? [[time, values.reduce((a, b) => a + b, 0) / values.length]] : [];
  });
}

function picture(points, snapshot) {
  const { band, celsius, log_due } = snapshot.pit;
  const due = isOld(snapshot.pit, snapshot.time) ? null : log_due;
  const all = celsius === null ? points : [...points, [snapshot.time, celsius]];
  const values = all.map(([, value]) => value);
  const low = Math.min(band.low, ...values) - 6;
  const high = Math.max(band.high, ...values) + 6;
  const first = Math.min(snapshot.time - 600, Math.max(snapshot.time - BACK, all[0]?.[0] ?? snapshot.time));
  const last = snapshot.time + Math.min(AHEAD, Math.max(1200, ((snapshot.time - first) * 2) / 3));
  const x = (time) => (W * (time - first)) / (last - first);
  const y = (value) => H - 18 - ((H - 22) * (value - low)) / (high - low);
  const svg = draw(
    "svg",
    {
      class: "mini",
      viewBox: `0 0 ${W} ${H}`,
      role: "img",
      "aria-label": t("mini.pit-since-then-now-band", {
        first: clock(first, snapshot),
        values: degrees(values[0] ?? celsius),
        celsius: degrees(celsius),
        low: degrees(band.low),
        high: degrees(band.high),
      }),
    },
    draw("rect", { class: "zone", x: 0, width: W, y: y(band.high), height: y(band.low) - y(band.high) }),
    draw("text", { x: W, y: y(band.high) - 3, "text-anchor": "end" }, `${Math.round(shown(band.high))}°`),
    draw("text", { x: W, y: y(band.low) + 12, "text-anchor": "end" }, `${Math.round(shown(band.low))}°`),
  );
  if (due !== null) {
    const [from, to] = [due.p05, due.p95].map((time) => x(Math.min(last, Math.max(snapshot.time, time))));
    if (to > from)
      svg.append(
        draw("rect", { class: "due", x: from, width: to - from, y: 2, height: H - 20 }),
        from > W - FOR_LABELS // beside it, or the word lies on the band's figure
          ? draw("text", { x: from - 3, y: 12, "text-anchor": "end" }, t("mini.low"))
          : draw("text", { x: from + 2, y: 12 }, t("mini.low")),
      );
    if (celsius > band.low && due.p50 > snapshot.time && due.p50 < last) {
      svg.append(
        draw("line", {
          class: "ahead",
          x1: x(snapshot.time),
          y1: y(celsius),
          x2: x(due.p50),
          y2: y(band.low),
        }),
      );
    }
  }
  const path = all
    .filter(([time]) => time >= first)
    .map(([time, value]) => `${x(time).toFixed(1)},${y(value).toFixed(1)}`)
    .join(" ");
  svg.append(draw("polyline", { class: "was", points: path }));
  if (celsius !== null)
    svg.append(draw("circle", { class: "now", cx: x(snapshot.time), cy: y(celsius), r: 5 }));
  svg.append(
    draw("text", { x: 0, y: H - 2 }, clock(first, snapshot)),
    draw("text", { x: x(snapshot.time), y: H - 2, "text-anchor": "middle" }, t("mini.now")),
  );
  return svg;
}

/** box: where. Draws at once with what there is, and again whenever it has more. */
export function miniCurve(box) {
  let history = null;
  let askedAt = -Infinity;
  const paint = (snapshot) =>
    box.replaceChildren(picture(history === null ? [] : pitPoints(history, snapshot), snapshot));
  return (snapshot) => {
    if (Math.abs(snapshot.time - askedAt) >= AGAIN) {
      askedAt = snapshot.time;
      ask(`/api/history?start=${snapshot.time - BACK}&end=${snapshot.time}&points=90`).then(
        (answer) => {
          history = answer;
          if (box.isConnected) paint(ofPit(live.snapshot));
        },
        () => {},
      );
    }
    paint(snapshot);
  };
}
