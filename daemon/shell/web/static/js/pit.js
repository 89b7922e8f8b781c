// The pit: temperature, band, trend, next log, marks, grate.

import { make, redraw, say } from "./dom.js";
import { grate, heatWord, rail } from "./draw.js";
import { live, sinceWord, tell } from "./live.js";
import { mark } from "./marks.js";
import { pieces } from "./pieces.js";
import { isBehind, standingFace } from "./standing.js";
import { big, capital, clock, degrees, difference, inside, plain, shown, span, state, trendLines, unit } from "./words.js";

const FIRE_WORDS = {
  unlit: ["quiet", "not lit"], lighting: ["suspect", "lighting"], heating: ["suspect", "heating"], "in-band": ["good", "in the band"],
  falling: ["suspect", "falling"], low: ["low", "below the band"], out: ["bad", "fire out"], high: ["medium", "above the band"],
  runaway: ["high", "running away"], cooling: ["cool", "cooling"],
};

function burning(pit, snapshot) {
  if (pit.log_due === null) return make("p", { class: "quiet" }, `Next log: not known. ${capital(pit.no_forecast)}.`);
  const { p05, p50, p95 } = pit.log_due;
  const from = Math.min(pit.last_log ?? snapshot.time, snapshot.time);
  const share = (time) => `${Math.max(0, Math.min(100, (100 * (time - from)) / (p95 - from || 1))).toFixed(1)}%`;
  const [wood, edge] = [make("i", { class: "wood" }), make("i", { class: "edge" })];
  wood.style.left = share(snapshot.time);
  wood.style.width = `calc(${share(Math.max(p05, snapshot.time))} - ${share(snapshot.time)})`;
  edge.style.left = share(Math.max(p05, snapshot.time));
  edge.style.right = "0";
  const overdue = p50 <= snapshot.time;
  return make("div", {},
    make("div", { class: "row" }, make("h3", {}, "Next log"),
      make("p", { class: "num hot" }, overdue ? "due now" : `${clock(p50, snapshot)}, in ${span(p50 - snapshot.time)}`)),
    make("div", { class: "burn", role: "img", "aria-label": `The wood lasts until between ${clock(p05, snapshot)} and ${clock(p95, snapshot)}` }, wood, edge),
    make("p", { class: "burn-ends" }, make("span", {}, pit.last_log === null ? "no log seen yet" : `last log ${clock(pit.last_log, snapshot)}`),
      make("span", {}, `between ${clock(p05, snapshot)} and ${clock(p95, snapshot)}`)));
}

function pitFace(snapshot) {
  const pit = snapshot.pit;
  const [name, word] = FIRE_WORDS[pit.stage] ?? ["quiet", plain(pit.stage)];
  const { low, high } = pit.band;
  return [
    make("div", { class: "row" }, make("h2", {}, pit.name), state(name, pit.lid_open ? `${word}, lid open` : word)),
    make("div", { class: "row" }, big(pit.celsius), make("p", { class: "num trend" }, ...trendLines(pit.rate))),
    rail(low - 35, high + 35, [[low, high, "zone"]], [], pit.celsius, `Band ${degrees(low)} to ${degrees(high)}, pit ${degrees(pit.celsius)}`),
    pit.question ? make("p", { class: "suspect" }, pit.question) : null,
    burning(pit, snapshot),
  ];
}

/** The control value is as old as the newest good pit reading. */
function pitAge(snapshot) {
  const ages = snapshot.channels.filter((channel) => channel.role === "pit" && channel.quality === "good" && channel.age !== null);
  const pits = snapshot.channels.filter((channel) => channel.role === "pit");
  if (ages.length === 0) return `No usable pit probe of ${pits.length}.`;
  return `Read ${span(Math.min(...ages.map((c) => c.age)) + sinceWord())} ago by ${ages.length} of ${pits.length} pit probes.`;
}

function bandForm() {
  const low = make("input", { type: "number", inputmode: "numeric", required: true });
  const high = make("input", { type: "number", inputmode: "numeric", required: true });
  const box = make("details", {}, make("summary", {}, "Change the band"), make("form", {
    onsubmit: (event) => {
      event.preventDefault();
      tell("/api/band", { band: { low: inside(Number(low.value)), high: inside(Number(high.value)) } }, "Band sent.");
    } }, make("div", { class: "fields" }, make("label", {}, `Low, ${unit()}`, low), make("label", {}, `High, ${unit()}`, high), make("button", {}, "Set the band"))));
  box.addEventListener("toggle", () => {
    const band = live.snapshot?.pit.band;
    if (box.open && band) { low.value = Math.round(shown(band.low)); high.value = Math.round(shown(band.high)); }
  });
  return box;
}

function grateFace(evenness) {
  if (evenness.places.length < 2) return [];
  return [make("div", { class: "plate" },
    make("div", { class: "row" }, make("h2", {}, "Across the grate"), evenness.spread === null ? "" : make("p", {}, `${difference(evenness.spread).slice(1)} spread`)),
    grate(evenness.places),
    make("div", { class: "row" }, ...evenness.places.map((place) => make("p", {}, make("strong", {}, place.place), ` ${difference(place.offset)} ${heatWord(place.offset)}`))),
    evenness.advice ? make("p", {}, evenness.advice) : null, make("a", { class: "button", href: "#taught" }, "What this pit taught"))];
}

function firesFace(snapshot) {
  if (snapshot.fires.length === 0) return [];
  return [make("details", { class: "plate" }, make("summary", {}, "What the fire did"), make("ul", { class: "list" },
    ...snapshot.fires.map((fire) => make("li", {}, `${clock(fire.at, snapshot)} ${plain(fire.sign)}, ${Math.round(100 * fire.confidence)} % sure`))))];
}

/** So that an open list stays as it is while it is read. */
const byTheMinute = (value) => JSON.stringify(value, (key, inner) => (typeof inner === "number" ? Math.round(inner > 1 ? inner / 60 : inner * 100) : inner));

export function pitRoom(root) {
  const face = make("div", {});
  const age = make("p", { class: "quiet" });
  const serve = make("div", {});
  const list = make("div", { id: "pieces" });
  const [spots, fires] = [make("div", {}), make("div", {})];
  root.replaceChildren(
    make("section", { class: "plate fire", "aria-label": "Pit" }, face, age,
      make("div", { class: "buttons" }, mark("log", "Log on", null, { class: "main" }), mark("lid-open", "Lid opened"), mark("lid-closed", "Lid closed")),
      make("details", {}, make("summary", {}, "More marks"), make("div", { class: "buttons" },
        mark("fire-lit", "Fire lit"), mark("damper", "Damper moved"), mark("meat-on", "All meat on"), mark("serve", "Served"))),
      bandForm()),
    serve, list, spots, fires);
  let behind = false;
  face.className = "stack";
  const tick = () => { if (live.snapshot) say(age, pitAge(live.snapshot)); };
  const update = (snapshot) => {
    redraw(face, [snapshot.pit, Math.floor(snapshot.time / 10), unit()], () => pitFace(snapshot));
    redraw(serve, [snapshot.serve_at, snapshot.cook_name, byTheMinute(snapshot.standing), snapshot.pieces.map((piece) => piece.name), unit()],
      () => {
        const left = isBehind(snapshot.standing) === behind ? serve.querySelector("details")?.open : undefined;
        behind = isBehind(snapshot.standing);
        return standingFace(snapshot, left);
      });
    redraw(spots, [snapshot.pit.evenness, unit()], () => grateFace(snapshot.pit.evenness));
    redraw(fires, snapshot.fires, () => firesFace(snapshot));
    pieces(list, snapshot);
    tick();
  };
  return { update, tick };
}
