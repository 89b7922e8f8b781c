// The one place that knows the chart library. It may be missing; then a note stands where the chart would.

import { button, draw, make } from "./dom.js";
import { live } from "./live.js";
import { markings, ROW, ROWS } from "./markings.js";
import { readable } from "./reading.js";
import { fingers } from "./touch.js";
import { at, reading, shown, zone } from "./words.js";
import { t } from "./texts.js";

let library;
async function load() {
  if (library === undefined) {
    library = live.facts?.chart
      ? await import("/vendor/uplot.js").then(
          (module) => module.default,
          () => null,
        )
      : null;
  }
  return library;
}

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
export function seriesInk(index) {
  const probe = make("i", { class: `s${index % 8}` });
  document.body.append(probe);
  const colour = getComputedStyle(probe).color;
  probe.remove();
  return colour;
}
/** Steps of a scale of hours, s: whole parts of an hour, whole hours. */
const HOUR_STEPS = [60, 300, 600, 900, 1800, 3600, 7200, 10800, 14400, 21600, 43200, 86400];
const DASHES = [[], [8, 4], [2, 3], [12, 3, 2, 3]];

/** box: where. x: numbers. lines: {label, values (°C), ink, dash?, width?}. fills: [[upper, lower, ink]] of line indexes.
 * options: time (x is UTC s), bands [[low, high]], marks [{x, text, small?}]. zoomed(min, max): fetch that range; without it the
 * chart zooms in what it has. whole(): show all there is. read(index or null): what lies under the finger. Resolves to false
 * without a library. */
export async function chart(
  box,
  x,
  lines,
  { fills = [], time = true, bands = [], marks = [], zoomed, whole, read, label },
) {
  const Plot = await load();
  box.plot?.destroy();
  box.plot = null;
  if (!Plot) {
    box.className = "chart note";
    box.replaceChildren(make("p", { class: "suspect" }, t("chart.no-curve-here-the-chart")));
    return false;
  }
  box.className = "chart";
  box.replaceChildren();
  const axis = {
    stroke: ink("--smoke"),
    grid: { stroke: ink("--plate"), width: 1 },
    ticks: { stroke: ink("--plate") },
    font: "13px system-ui, sans-serif",
  };
  const clockTicks = (_plot, splits) => splits.map((s) => at(s * 1000));
  const hourTicks = (_plot, splits) =>
    splits.map((s) =>
      s % 3600 === 0
        ? `${s / 3600} h`
        : `${Math.floor(s / 3600)}:${String(Math.round((s % 3600) / 60)).padStart(2, "0")}`,
    );
  box.plot = new Plot(
    {
      width: box.clientWidth,
      height: box.clientHeight,
      legend: { show: false },
      padding: [marks.some(({ small }) => !small) ? ROWS * ROW + 12 : ROW + 12, time ? 12 : 20, 0, 0],
      cursor: { drag: { x: true, y: false, setScale: false } },
      scales: { x: { time } },
      tzDate: (seconds) => Plot.tzDate(new Date(seconds * 1000), zone()),
      axes: [
        {
          ...axis,
          size: 34,
          space: time && reading("clock") === "12" ? 80 : 55,
          values: time ? clockTicks : hourTicks,
          ...(time ? {} : { incrs: HOUR_STEPS }),
        },
        { ...axis, size: 46, values: (_plot, splits) => splits.map((s) => `${s}°`) },
      ],
      series: [
        {},
        ...lines.map((line) => ({
          label: line.label,
          stroke: line.ink,
          width: line.width ?? 2,
          dash: line.dash ?? [],
          points: { show: false },
          spanGaps: false,
        })),
      ],
      bands: fills.map(([upper, lower, fill]) => ({ series: [upper + 1, lower + 1], fill })),
      hooks: {
        ...markings(bands, marks),
        setCursor: [(plot) => box.read?.(plot)],
        setSelect: [
          (plot) => {
            const { left, width } = plot.select;
            plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
            if (width > 8)
              (zoomed ?? within(plot, x))(plot.posToVal(left, "x"), plot.posToVal(left + width, "x"));
          },
        ],
      },
    },
    [
      x,
      ...lines.map((line) =>
        line.values.map((value) => (value === null || value === undefined ? null : shown(value))),
      ),
    ],
    box,
  );
  box.zoomed = zoomed ?? (() => {});
  box.moved = zoomed ? (min, max) => box.plot.setScale("x", { min, max }) : within(box.plot, x);
  if (!box.fingers)
    box.fingers =
      fingers(
        box,
        () => box.plot,
        (min, max) => box.moved(min, max),
        (min, max) => box.zoomed(min, max),
      ) ?? true;
  readable(box, { read, whole: whole ?? (() => showAll(box)), label });
  new ResizeObserver((_entries, observer) => {
    if (!box.plot || !box.isConnected) {
      observer.disconnect();
      return;
    }
    if (Math.abs(box.plot.width - box.clientWidth) > 1)
      box.plot.setSize({ width: box.clientWidth, height: box.clientHeight });
  }).observe(box);
  return true;
}

export const faint = (colour) => colour.replace("rgb(", "rgba(").replace(")", ", 0.28)");
export const dashOf = (index) => DASHES[index % DASHES.length];

/** Never further than the data. */
const within = (plot, x) => (min, max) => {
  const [first, last] = [x[0], x.at(-1)];
  const width = Math.min(max - min, last - first);
  const low = Math.min(Math.max(min, first), last - width);
  plot.setScale("x", { min: low, max: low + width });
};

function showAll(box) {
  const [x] = box.plot?.data ?? [[]];
  if (x.length) box.plot.setScale("x", { min: x[0], max: x.at(-1) });
}

/** After fingers have zoomed into what a chart has. */
export const whole = (box) => button(t("chart.the-whole"), () => showAll(box));

/** dashes: of each line, in the same order; without them all are whole. values: nodes that stand behind the names. */
export const legend = (names, dashes = [], values = []) =>
  make(
    "ul",
    { class: "legend" },
    ...names.map((name, index) =>
      make(
        "li",
        {},
        draw(
          "svg",
          { class: `key s${index % 8}`, viewBox: "0 0 28 8", "aria-hidden": "true" },
          draw("line", { x1: 0, x2: 28, y1: 4, y2: 4, "stroke-dasharray": (dashes[index] ?? []).join(" ") }),
        ),
        `${name} `,
        values[index],
      ),
    ),
  );
