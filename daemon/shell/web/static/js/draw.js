// The small drawings. Each also says in words what it shows, next to it or as its label.

import { draw } from "./dom.js";
import { at, clock, degrees, difference, plain, shown } from "./words.js";
import { t } from "./texts.js";

const W = 340;

/** A rod with zones. zones: [low, high, class]; marks: [°C, class]. */
export function rail(low, high, zones, marks, now, label) {
  const x = (celsius) => 8 + (W - 16) * Math.min(1, Math.max(0, (celsius - low) / (high - low)));
  const svg = draw(
    "svg",
    { class: "rail", viewBox: `0 0 ${W} 52`, role: "img", "aria-label": label },
    draw("line", { class: "rod", x1: 8, x2: W - 8, y1: 20, y2: 20 }),
  );
  for (const [from, to, name] of zones) {
    svg.append(
      draw("rect", { class: name, x: x(from), width: Math.max(2, x(to) - x(from)), y: 9, height: 22 }),
    );
  }
  for (const [celsius, name] of marks)
    svg.append(draw("line", { class: name, x1: x(celsius), x2: x(celsius), y1: 5, y2: 35 }));
  let last = -99;
  for (const celsius of [...zones.flatMap((zone) => zone.slice(0, 2)), ...marks.map((mark) => mark[0])].sort(
    (a, b) => a - b,
  )) {
    if (x(celsius) - last < 34) continue;
    last = x(celsius);
    svg.append(draw("text", { x: last, y: 49, "text-anchor": "middle" }, `${Math.round(shown(celsius))}°`));
  }
  if (now !== null) {
    svg.append(
      draw("circle", { class: "halo", cx: x(now), cy: 20, r: 14 }),
      draw("circle", { class: "now", cx: x(now), cy: 20, r: 8 }),
    );
  }
  return svg;
}

/** The forecast fan of one piece with its tender range and the plan. */
export function fan(piece, snapshot) {
  const points = piece.fan;
  const start = points[0].time;
  const end = Math.max(points.at(-1).time, snapshot.serve_at ?? 0);
  const low = Math.min(...points.map((p) => p.p05), piece.tender_low ?? 999) - 3;
  const high = Math.max(...points.map((p) => p.p95), piece.tender_high ?? piece.target ?? 0) + 3;
  const x = (time) => (W * (time - start)) / (end - start || 1);
  const y = (celsius) => 100 - (96 * (celsius - low)) / (high - low || 1);
  const line = (list, key) => list.map((p) => `${x(p.time).toFixed(1)},${y(p[key]).toFixed(1)}`).join(" ");
  const svg = draw("svg", {
    class: "fan",
    viewBox: `0 0 ${W} 122`,
    role: "img",
    "aria-label": t("draw.forecast-of", {
      name: piece.name,
      now: degrees(points[0].p50),
      later: degrees(points.at(-1).p50),
      time: clock(points.at(-1).time, snapshot),
    }),
  });
  if (piece.tender_low !== null && piece.tender_high !== null) {
    svg.append(
      draw("rect", {
        class: "tender",
        x: 0,
        width: W,
        y: y(piece.tender_high),
        height: y(piece.tender_low) - y(piece.tender_high),
      }),
    );
  }
  svg.append(
    draw("polygon", {
      class: "spread",
      points: `${line(points, "p95")} ${line([...points].reverse(), "p05")}`,
    }),
    draw("polyline", { class: "middle", points: line(points, "p50") }),
    draw("line", { class: "floor", x1: 0, x2: W, y1: 102, y2: 102 }),
    draw("circle", { class: "start", cx: 3, cy: y(points[0].p50), r: 5 }),
    draw("text", { x: 0, y: 118 }, clock(start, snapshot)),
  );
  if (snapshot.serve_at !== null && snapshot.serve_at > start) {
    const serve = Math.min(W - 1, x(snapshot.serve_at));
    svg.append(
      draw("line", { class: "plan", x1: serve, x2: serve, y1: 2, y2: 102 }),
      draw(
        "text",
        { x: serve, y: 118, "text-anchor": "end" },
        t("draw.serve-serve-at", { serve_at: clock(snapshot.serve_at, snapshot) }),
      ),
    );
  } else {
    svg.append(draw("text", { x: W, y: 118, "text-anchor": "end" }, at((end + snapshot.wall_offset) * 1000)));
  }
  return svg;
}

const EVEN = 3;
export const heatWord = (offset) => (offset > EVEN ? "hot" : offset < -EVEN ? "cool" : "even");

/** The grate seen from above: bars glow where it is hotter than the mean. */
export function grate(places) {
  const each = W / places.length;
  const svg = draw(
    "svg",
    {
      class: "grate",
      viewBox: `0 0 ${W} 78`,
      role: "img",
      "aria-label":
        t("draw.grate-from-above") +
        places.map((p) => `${p.place} ${difference(p.offset)}, ${plain(heatWord(p.offset))}`).join("; "),
    },
    draw("rect", { class: "frame", x: 0, y: 0, width: W, height: 5 }),
    draw("rect", { class: "frame", x: 0, y: 69, width: W, height: 5 }),
  );
  places.forEach((place, index) => {
    const bars = Math.max(3, Math.floor(each / 14));
    const strength = Math.min(1, 0.35 + Math.abs(place.offset) / 20);
    for (let bar = 0; bar < bars; bar += 1) {
      const word = heatWord(place.offset);
      const rect = draw("rect", {
        class: word,
        x: index * each + ((bar + 0.5) * each) / bars - 2.5,
        y: 2,
        width: 5,
        height: 70,
      });
      if (word !== "even") rect.setAttribute("opacity", strength.toFixed(2));
      svg.append(rect);
    }
  });
  return svg;
}
