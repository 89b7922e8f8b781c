// A new cook from the cut table.

import { button, buttonRow, make, choices } from "./dom.js";
import { live, put, tell } from "./live.js";
import {
  degrees,
  inside,
  isFahrenheit,
  isoDay,
  kilos,
  mass,
  massUnit,
  otherZone,
  shown,
  speed,
  unit,
  windUnit,
} from "./words.js";
import { t } from "./texts.js";

const INCH_CM = 2.54;
const WRAPS = [
  ["never", t("start.not-wrapped")],
  ["foil", t("start.foil")],
  ["paper", t("start.paper")],
  ["boat", t("start.open-foil-boat")],
];
const USUAL_WRAP = "paper"; // what the watch takes where a cook file says nothing
const USUAL_RULE = "food-code-135";

function pieceFields(cuts, channels, index) {
  const cut = make(
    "select",
    { name: "cut" },
    ...choices(Object.entries(cuts).map(([id, row]) => [id, row.name])),
  );
  const name = make("input", { name: "name", required: true, maxlength: 40 });
  const weight = make("input", {
    name: "weight",
    type: "number",
    step: "0.1",
    min: "0.1",
    required: true,
    inputmode: "decimal",
  });
  const thickness = make("input", {
    name: "thickness",
    type: "number",
    step: "0.1",
    min: "0.5",
    inputmode: "decimal",
  });
  const probes = [...channels.map((row) => [row.id, row.name]), ["", t("start.none-read-by-hand")]];
  const channel = make("select", { name: "channel" }, ...choices(probes));
  if (channels[index]) channel.value = channels[index].id;
  const wrap = make("select", { name: "wrap" }, ...choices(WRAPS));
  const wrapAt = make("input", { name: "wrap-at", type: "number", step: "any", inputmode: "decimal" });
  const serve = make("input", { name: "piece-serve", type: "datetime-local" });
  const hint = make("p", { class: "quiet wide" });
  const byCut = () => {
    const row = cuts[cut.value];
    name.value = row.name;
    weight.value = mass(row.weight).toFixed(1);
    thickness.value = ((row.thickness * 100) / (isFahrenheit() ? INCH_CM : 1)).toFixed(1);
    wrap.value = row.wrap_at === null ? "never" : USUAL_WRAP;
    wrapAt.value = row.wrap_at === null ? "" : Math.round(shown(row.wrap_at));
    byWrap();
    hint.textContent = [
      row.tender
        ? t("start.tender-range", { low: degrees(row.tender[0]), high: degrees(row.tender[1]) })
        : t("start.target-target", { target: degrees(row.target) }),
      t("start.safe-minimum", { safe_minimum: degrees(row.safe_minimum), safe_rule: row.safe_rule }),
    ].join("; ");
  };
  const byWrap = () => {
    wrapAt.disabled = wrap.value === "never";
    wrapAt.required = !wrapAt.disabled;
  };
  wrap.addEventListener("change", byWrap);
  cut.addEventListener("change", byCut);
  byCut();
  const node = make(
    "fieldset",
    {},
    make("legend", {}, t("start.piece-index", { index: index + 1 })),
    make(
      "div",
      { class: "fields" },
      make("label", { class: "wide" }, t("start.cut"), cut),
      make("label", { class: "wide" }, t("start.name"), name),
      make("label", {}, t("start.weight", { unit: massUnit() }), weight),
      make("label", {}, t("start.thinnest-side", { unit: isFahrenheit() ? "in" : "cm" }), thickness),
      make("label", {}, t("start.wrap"), wrap),
      make("label", {}, t("start.wrap-at-unit", { unit: unit() }), wrapAt),
      make("label", { class: "wide" }, t("start.probe"), channel),
      make("label", { class: "wide" }, t("start.served-at-its-own-time"), serve),
      hint,
    ),
  );
  const value = () => ({
    name: name.value,
    cut: cut.value,
    ...(channel.value ? { channel: channel.value } : {}),
    weight: kilos(weight.value),
    ...(thickness.value ? { thickness: Number(thickness.value) * (isFahrenheit() ? INCH_CM : 1) } : {}),
    wrap: wrap.value === "never" ? false : { material: wrap.value, at: inside(Number(wrapAt.value)) },
    ...(serve.value ? { serve_at: serve.value } : {}),
  });
  return { node, value };
}

/** One more piece for the cook that runs. */
export function addForm({ cuts }) {
  const channels = live.snapshot.channels.filter((channel) => channel.role === "meat");
  const used = new Set(live.snapshot.pieces.map((piece) => piece.channel));
  const free = channels.filter((channel) => !used.has(channel.id));
  const part = pieceFields(cuts, free, 0);
  const send = async (event) => {
    event.preventDefault();
    if (await tell("/api/add-piece", { piece: part.value() }, t("start.it-has-joined-mark-it")))
      location.hash = "#pit";
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    part.node,
    buttonRow(make("button", { class: "main" }, t("start.add-this-piece"))),
  );
}

const identifier = (text) =>
  text
    .toLowerCase()
    .normalize("NFKD")
    .replace(/[^a-z0-9]+/g, "-")
    .replace(/^-+|-+$/g, "")
    .slice(0, 20) || "cook";

export function startForm({ cuts, hold_rules }) {
  const channels = live.snapshot.channels.filter((channel) => channel.role === "meat");
  const band = live.snapshot.pit.band;
  const name = make("input", {
    name: "cook",
    required: true,
    maxlength: 60,
    value: t("start.overnight-cook"),
  });
  const low = make("input", {
    name: "low",
    type: "number",
    required: true,
    value: Math.round(shown(band.low)),
  });
  const high = make("input", {
    name: "high",
    type: "number",
    required: true,
    value: Math.round(shown(band.high)),
  });
  const serve = make("input", { name: "serve", type: "datetime-local" });
  const rest = make("input", {
    name: "rest",
    type: "number",
    required: true,
    min: "0",
    max: "600",
    value: "60",
  });
  const hold = make("select", { name: "hold" }, ...choices(Object.entries(hold_rules)));
  hold.value = USUAL_RULE;
  const parts = [];
  const list = make("div", { class: "stack" });
  const add = () => {
    const part = pieceFields(cuts, channels, parts.length);
    parts.push(part);
    list.append(part.node);
  };
  add();
  const guests = make("input", { type: "number", inputmode: "numeric", min: "1", max: "5000" });
  const splits = make("input", { type: "number", inputmode: "numeric", min: "0", max: "2000" });
  const outside = make("input", { type: "number", inputmode: "decimal", step: "any" });
  const wind = make("input", { type: "number", inputmode: "decimal", step: "any", min: "0" });
  const plan = make("div", { class: "stack", role: "status" });
  const order = () => {
    const date = isoDay((live.snapshot.time + live.snapshot.wall_offset) * 1000);
    const cook = {
      id: `${date}-${identifier(name.value)}`,
      name: name.value,
      pieces: parts.map((part) => part.value()),
      band: { low: inside(Number(low.value)), high: inside(Number(high.value)) },
      rest_minutes: Number(rest.value),
      hold: { rule: hold.value },
    };
    if (guests.value) cook.guests = Number(guests.value);
    if (splits.value) cook.wood = { stock: Number(splits.value) };
    if (serve.value) cook.serve_at = serve.value; // in the rig's zone, as every time of the page
    return cook;
  };
  const send = async (event) => {
    event.preventDefault();
    const running = live.snapshot.pieces.map((piece) => piece.name).join(", ");
    const replace = running !== "";
    if (
      replace &&
      !window.confirm(t("start.is-running-and-will-end", { cook_name: live.snapshot.cook_name, running }))
    )
      return;
    if (await tell("/api/start-cook", { cook: order(), replace }, t("start.the-cook-has-started")))
      location.hash = "#pit";
  };
  const start = make("button", { class: "main" }, t("start.start-the-cook"));
  const showPlan = async () => {
    if (!start.form.reportValidity()) return;
    plan.replaceChildren(make("p", {}, t("start.planning-takes-a-few")));
    const weather = outside.value === "" ? {} : { ambient: inside(Number(outside.value)) };
    if (wind.value !== "") weather.wind = speed(wind.value);
    const made = await put("/api/plan", { cook: order(), ...weather });
    plan.replaceChildren(
      ...(made.problem ? [made.problem] : [...made.doubts, ...made.lines]).map((line) => make("p", {}, line)),
    );
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    make(
      "div",
      { class: "fields" },
      make("label", { class: "wide" }, t("start.name-of-the-cook"), name),
      make("label", {}, t("start.pit-low-unit", { unit: unit() }), low),
      make("label", {}, t("start.pit-high-unit", { unit: unit() }), high),
      make("label", { class: "wide" }, t("start.serve-at", { zone: otherZone(Date.now()) }), serve),
      make("label", {}, t("start.rest-min"), rest),
      make("label", { class: "wide" }, t("start.hot-holding-follows"), hold),
      make("label", {}, t("start.guests-may-stay-empty"), guests),
      make("label", {}, t("start.splits-of-wood-at-hand"), splits),
      make("label", {}, t("start.outside-empty-as", { unit: unit() }), outside),
      make("label", {}, t("start.wind", { unit: windUnit() }), wind),
    ),
    list,
    buttonRow(button(t("start.one-more-piece"), add), button(t("start.plan-it"), showPlan), start),
    plan,
  );
}
