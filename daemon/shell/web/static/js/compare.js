// Two to six cooks on one axis, the time since each began, and their figures side by side.

import { button, buttonRow, make, muted } from "./dom.js";
import { chart, dashOf, legend, seriesInk, whole } from "./chart.js";
import { FIGURES, orDash } from "./figures.js";
import { ask } from "./live.js";
import { day } from "./words.js";
import { t } from "./texts.js";

const SHOWN = [
  ["pit", t("compare.pits")],
  ["core", t("compare.cores")],
  ["both", t("compare.both")],
];

/** A cook's values at the instants of all cooks: between its own samples the last one holds, outside its span nothing. */
function onAxis(times, own, values) {
  let at = -1;
  return times.map((time) => {
    while (at + 1 < own.length && own[at + 1] <= time) at += 1;
    return at < 0 || time > own.at(-1) ? null : values[at];
  });
}

function linesOf(curves, times, which) {
  return curves.flatMap((curve, index) => {
    const ink = seriesInk(index);
    const pit = {
      label: t("compare.name-pit", { name: curve.cook.name }),
      values: onAxis(times, curve.time, curve.pit),
      ink,
      dash: dashOf(index),
    };
    const cores = curve.cores.map(([name, values]) => ({
      label: `${curve.cook.name}, ${name}`,
      values: onAxis(times, curve.time, values),
      ink,
      dash: which === "core" ? dashOf(index) : [2, 4],
    }));
    return which === "pit" ? [pit] : which === "core" ? cores : [pit, ...cores];
  });
}

function figuresTable(curves) {
  const head = (cook, index) =>
    make(
      "th",
      { scope: "col", class: `s${index}` },
      cook.name,
      make("small", { class: "line" }, `${day(cook.started)}, ${cook.pit}`),
    );
  const row = (name, value) =>
    make(
      "tr",
      {},
      make("th", { scope: "row" }, name),
      ...curves.map(({ cook }) => make("td", { class: "num" }, orDash(value(cook)))),
    );
  return make(
    "div",
    { class: "scroll", tabindex: "0", role: "region", "aria-label": t("compare.comparison-in-numbers") },
    make(
      "table",
      { class: "side" },
      make(
        "thead",
        {},
        make("tr", {}, make("td", {}), ...curves.map(({ cook }, index) => head(cook, index))),
      ),
      make(
        "tbody",
        {},
        ...FIGURES.map(([name, , value]) => row(name, value)),
        row(t("compare.verdict"), (cook) => cook.verdict || null),
      ),
    ),
  );
}

export function compareRoom(root, ids) {
  const plot = make("div", { class: "chart" });
  const which = make("div", { class: "buttons tight" });
  const body = make("div", { class: "stack" }, muted(t("compare.fetching-the-cooks")));
  root.replaceChildren(
    make(
      "section",
      { class: "plate" },
      make("h2", {}, t("compare.side-by-side")),
      body,
      buttonRow(make("a", { class: "button", href: "#cooks" }, t("compare.back-to-the-cooks"))),
    ),
  );
  ask(`/api/cooks/compare?${ids.map((id) => `cook=${encodeURIComponent(id)}`).join("&")}&points=400`)
    .then(({ curves }) => {
      const times = [...new Set(curves.flatMap((curve) => curve.time))].sort((a, b) => a - b);
      const show = (kind) => {
        which.replaceChildren(
          ...SHOWN.map(([value, text]) =>
            button(text, () => show(value), { "aria-pressed": String(value === kind) }),
          ),
          whole(plot),
        );
        return chart(plot, times, linesOf(curves, times, kind), {
          time: false,
          label: t("compare.the-cooks-on-one-time"),
        });
      };
      body.replaceChildren(
        which,
        plot,
        legend(
          curves.map(({ cook }) => cook.name),
          curves.map((_curve, index) => dashOf(index)),
        ),
        muted(t("compare.hours-since-each-cook")),
        figuresTable(curves),
      );
      return show("pit");
    })
    .catch((error) => body.replaceChildren(make("p", {}, error.message)));
  return { update() {}, tick() {} };
}
