// Cooks: the running one, a new one from the cut table, the kept ones, and several on one time axis.

import { button, make } from "./dom.js";
import { chart, dashOf, legend, seriesInk } from "./chart.js";
import { ask, live, tell } from "./live.js";
import { day, degrees, difference, inside, shown, span, unit } from "./words.js";

const POUND = 0.45359237;
const INCH_CM = 2.54;
const kilos = (text, imperial) => Number(text) * (imperial ? POUND : 1);
const share = (value) => (value === null ? "–" : `${Math.round(100 * value)} %`);
const orDash = (value, words) => (value === null ? "–" : words(value));
const choices = (pairs) => pairs.map(([value, text]) => make("option", { value }, text));

function pieceFields(cuts, channels, index, imperial) {
  const cut = make("select", { name: "cut" }, ...choices(Object.entries(cuts).map(([id, row]) => [id, row.name])));
  const name = make("input", { name: "name", required: true, maxlength: 40 });
  const weight = make("input", { name: "weight", type: "number", step: "0.1", min: "0.1", required: true, inputmode: "decimal" });
  const thickness = make("input", { name: "thickness", type: "number", step: "0.1", min: "0.5", inputmode: "decimal" });
  const channel = make("select", { name: "channel" }, ...choices(channels.map((row) => [row.id, row.name])));
  if (channels[index]) channel.value = channels[index].id;
  const hint = make("p", { class: "quiet wide" });
  const byCut = () => {
    const row = cuts[cut.value];
    name.value = row.name;
    weight.value = (row.weight / (imperial ? POUND : 1)).toFixed(1);
    thickness.value = ((row.thickness * 100) / (imperial ? INCH_CM : 1)).toFixed(1);
    hint.textContent = [row.wrap_at === null ? "no wrap" : `wrap from ${degrees(row.wrap_at)}`,
      row.tender ? `tender ${degrees(row.tender[0])} to ${degrees(row.tender[1])}` : `target ${degrees(row.target)}`,
      `safe minimum ${degrees(row.safe_minimum)} (${row.safe_rule})`].join("; ");
  };
  cut.addEventListener("change", byCut);
  byCut();
  const node = make("fieldset", {}, make("legend", {}, `Piece ${index + 1}`), make("div", { class: "fields" },
    make("label", { class: "wide" }, "Cut", cut), make("label", { class: "wide" }, "Name", name),
    make("label", {}, `Weight, ${imperial ? "lb" : "kg"}`, weight), make("label", {}, `Thinnest side, ${imperial ? "in" : "cm"}`, thickness),
    make("label", { class: "wide" }, "Probe", channel), hint));
  const value = () => ({
    name: name.value, cut: cut.value, channel: channel.value, weight: kilos(weight.value, imperial),
    ...(thickness.value ? { thickness: Number(thickness.value) * (imperial ? INCH_CM : 1) } : {}),
  });
  return { node, value };
}

const identifier = (text) => text.toLowerCase().normalize("NFKD").replace(/[^a-z0-9]+/g, "-").replace(/^-+|-+$/g, "").slice(0, 20) || "cook";

function startForm(cuts) {
  const imperial = unit() === "°F";
  const channels = live.snapshot.channels.filter((channel) => channel.role === "meat");
  const band = live.snapshot.pit.band;
  const name = make("input", { name: "cook", required: true, maxlength: 60, value: "Overnight cook" });
  const low = make("input", { name: "low", type: "number", required: true, value: Math.round(shown(band.low)) });
  const high = make("input", { name: "high", type: "number", required: true, value: Math.round(shown(band.high)) });
  const serve = make("input", { name: "serve", type: "datetime-local" });
  const parts = [];
  const list = make("div", { class: "stack" });
  const add = () => { const part = pieceFields(cuts, channels, parts.length, imperial); parts.push(part); list.append(part.node); };
  add();
  const send = async (event) => {
    event.preventDefault();
    const date = new Date((live.snapshot.time + live.snapshot.wall_offset) * 1000).toISOString().slice(0, 10);
    const cook = { id: `${date}-${identifier(name.value)}`, name: name.value, pieces: parts.map((part) => part.value()),
      band: { low: inside(Number(low.value)), high: inside(Number(high.value)) } };
    if (serve.value) cook.serve_at = new Date(serve.value).toISOString();
    if (await tell("/api/start-cook", { cook }, "The cook has started.")) location.hash = "#pit";
  };
  return make("form", { class: "stack", onsubmit: send },
    make("div", { class: "fields" }, make("label", { class: "wide" }, "Name of the cook", name), make("label", {}, `Pit low, ${unit()}`, low),
      make("label", {}, `Pit high, ${unit()}`, high), make("label", { class: "wide" }, "Serve at (may stay empty)", serve)),
    list, make("div", { class: "buttons" }, button("One more piece", add), make("button", { class: "main" }, "Start the cook")));
}

function running(snapshot) {
  if (!snapshot.cook_id) return make("p", {}, "No cook is running.");
  let sure = false;
  const end = button("End this cook", () => {
    if (!sure) { sure = true; end.textContent = "Press again to end it"; setTimeout(() => { sure = false; end.textContent = "End this cook"; }, 5000); return; }
    tell("/api/end-cook", {}, "The cook has ended. It is kept in the log.");
  });
  return make("div", { class: "stack" }, make("p", {}, `Running: ${snapshot.cook_name}, ${snapshot.pieces.map((piece) => piece.name).join(", ")}`), make("div", { class: "buttons" }, end));
}

async function compareInto(box, ids) {
  const { curves } = await ask(`/api/cooks/compare?${ids.map((id) => `cook=${encodeURIComponent(id)}`).join("&")}&points=300`);
  const times = [...new Set(curves.flatMap((curve) => curve.time))].sort((a, b) => a - b);
  const onAxis = (curve, values) => { const at = new Map(curve.time.map((time, i) => [time, values[i]])); return times.map((time) => at.has(time) ? at.get(time) : undefined); };
  const lines = curves.flatMap((curve, index) => [
    { label: curve.cook.name, values: onAxis(curve, curve.pit), ink: seriesInk(index), dash: dashOf(index) },
    ...curve.cores.map(([name, values]) => ({ label: name, values: onAxis(curve, values), ink: seriesInk(index), dash: [2, 4] }))]);
  const rows = [["Pit", (c) => c.pit], ["Time in band", (c) => share(c.in_band)], ["Swing", (c) => orDash(c.swing, (v) => difference(v).slice(1))],
    ["Spread over the grate", (c) => orDash(c.spread, (v) => difference(v).slice(1))], ["Wood", (c) => orDash(c.wood, (v) => `${v.toFixed(1)} kg`)],
    ["Yield", (c) => share(c.yield_fraction)], ["Length", (c) => span(c.duration)], ["Verdict", (c) => c.verdict || "–"]];
  const plot = make("div", { class: "chart" });
  box.replaceChildren(plot, legend(curves.map((curve) => curve.cook.name)), make("p", { class: "quiet" }, "From the start of each cook. Pit as drawn, cores dotted in the same colour."),
    make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Comparison in numbers" }, make("table", {}, make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "Cook"), ...curves.map((curve) => make("th", { scope: "col" }, curve.cook.name)))),
      make("tbody", {}, ...rows.map(([title, value]) => make("tr", {}, make("th", { scope: "row" }, title), ...curves.map((curve) => make("td", {}, value(curve.cook)))))))));
  await chart(plot, times, lines.map((line) => ({ ...line, values: spread(line.values) })), { time: false, label: "The cooks on one time axis; the table below holds the figures" });
}

/** Fill the instants a cook was not sampled at with its last value, inside its own span only. */
function spread(values) {
  const last = values.findLastIndex((value) => value !== undefined);
  let held = null;
  return values.map((value, index) => { if (value !== undefined) held = value; return index <= last ? held : null; });
}

function keptRow(cook, chosen, changed) {
  const box = make("input", { type: "checkbox", onchange: () => { if (box.checked) chosen.add(cook.id); else chosen.delete(cook.id); changed(); } });
  box.checked = chosen.has(cook.id);
  return make("li", {}, make("label", { class: "check" }, box, make("span", {}, make("strong", {}, cook.name),
    make("br"), make("small", {}, `${day(cook.started)} · ${cook.pit} · ${cook.pieces.join(", ")} · in band ${share(cook.in_band)}`))),
    make("a", { class: "button", href: `/api/cooks/report?cook=${encodeURIComponent(cook.id)}` }, "Report"));
}

export function cooksRoom(root) {
  const [now, form, kept, compared] = [make("div", {}), make("div", {}), make("div", {}), make("div", { class: "stack" })];
  const chosen = new Set();
  const words = make("input", { type: "search", name: "words", maxlength: 80 });
  const go = button("Compare", () => compareInto(compared, [...chosen]).catch((error) => compared.replaceChildren(make("p", {}, error.message))), { class: "main", disabled: true });
  const changed = () => { go.disabled = chosen.size < 2 || chosen.size > 6; };
  const list = () => ask(`/api/cooks?words=${encodeURIComponent(words.value)}`).then(
    ({ cooks }) => kept.replaceChildren(cooks.length ? make("ul", { class: "list" }, ...cooks.map((cook) => keptRow(cook, chosen, changed))) : make("p", { class: "quiet" }, "No cook kept yet.")),
    (error) => kept.replaceChildren(make("p", { class: "quiet" }, error.message)));
  words.addEventListener("input", list);
  root.replaceChildren(
    make("section", { class: "plate" }, make("h2", {}, "Now"), now),
    make("details", { class: "plate", id: "start" }, make("summary", {}, "Start a cook"), form),
    make("section", { class: "plate" }, make("h2", {}, "Kept cooks"), make("label", {}, "Find", words), kept, make("p", { class: "quiet" }, "Choose two to six."), make("div", { class: "buttons" }, go), compared));
  root.querySelector("#start").addEventListener("toggle", () => {
    if (!form.firstChild && live.snapshot) ask("/api/cuts").then(({ cuts }) => form.replaceChildren(startForm(cuts)), (error) => form.replaceChildren(error.message));
  });
  list();
  let shownCook;
  const update = (snapshot) => { if (shownCook !== snapshot.cook_id) { shownCook = snapshot.cook_id; now.replaceChildren(running(snapshot)); } };
  return { update, tick() {} };
}
