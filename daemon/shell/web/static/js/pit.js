// The pit: temperature, band, trend, next log, marks, grate.

import { across, bullets, buttonRow, fold, make, muted, redraw, say, strong } from "./dom.js";
import { grate, heatWord } from "./draw.js";
import { live, sinceWord, tell } from "./live.js";
import { mark, whenDone } from "./marks.js";
import { miniCurve } from "./mini.js";
import { saidMarks } from "./said.js";
import { pieceLines, pieces } from "./pieces.js";
import { isOld, isBehind, standingFace } from "./standing.js";
import {
  big,
  capital,
  clock,
  difference,
  inside,
  plain,
  shown,
  span,
  state,
  trendMark,
  unit,
} from "./words.js";

const FIRE_WORDS = {
  unlit: ["quiet", "not lit"],
  lighting: ["suspect", "lighting"],
  heating: ["suspect", "heating"],
  "in-band": ["good", "in the band"],
  falling: ["suspect", "falling"],
  low: ["low", "below the band"],
  out: ["bad", "fire out"],
  high: ["medium", "above the band"],
  runaway: ["high", "running away"],
  cooling: ["cool", "cooling"],
};

/** The words of the stage, unless the number says otherwise at this moment. */
function fireWord({ stage, celsius, band, lid_open }) {
  if (celsius === null) return ["bad", "cannot be read"];
  if (lid_open) return ["suspect", "lid open"];
  if (stage === "in-band" && celsius !== null && celsius < band.low) return FIRE_WORDS.low;
  if (["in-band", "heating"].includes(stage) && celsius !== null && celsius > band.high + 3)
    return FIRE_WORDS.high;
  return FIRE_WORDS[stage] ?? ["quiet", plain(stage)];
}

function burning(pit, snapshot) {
  const last = pit.last_log === null ? "no log seen yet" : `last ${clock(pit.last_log, snapshot)}`;
  if (pit.log_due === null) return muted(`Next log: not known. ${capital(pit.no_forecast)}.`);
  const { p05, p50, p95 } = pit.log_due;
  const made = pit.forecast_made_at;
  const soon = p50 <= snapshot.time ? "due now" : `${clock(p50, snapshot)}, in ${span(p50 - snapshot.time)}`;
  return across(
    make("p", {}, "Next log ", make("strong", { class: "num hot" }, soon)),
    muted(
      `${clock(p05, snapshot)} to ${clock(p95, snapshot)}${made === null ? "" : `, as of ${clock(made, snapshot)}`}; ${last}`,
    ),
    isOld(snapshot)
      ? state("suspect", `This forecast is ${span(snapshot.time - made)} old: do not rely on it.`)
      : null,
  );
}

function pitFace(snapshot) {
  const pit = snapshot.pit;
  return [
    make(
      "div",
      { class: "hero" },
      big(pit.celsius),
      make(
        "div",
        { class: "trend" },
        make("h2", {}, pit.name),
        state(...fireWord(pit)),
        make("p", { class: "num" }, trendMark(pit.rate)),
      ),
    ),
  ];
}

const pitWords = (snapshot) => [
  snapshot.pit.question ? make("p", { class: "suspect" }, snapshot.pit.question) : null,
  burning(snapshot.pit, snapshot),
];

/** The control value is as old as the newest good pit reading. */
function pitAge(snapshot) {
  const ages = snapshot.channels.filter(
    (channel) => channel.role === "pit" && channel.quality === "good" && channel.age !== null,
  );
  const pits = snapshot.channels.filter((channel) => channel.role === "pit");
  if (ages.length === 0) return `No usable pit probe of ${pits.length}.`;
  return `Read ${span(Math.min(...ages.map((c) => c.age)) + sinceWord())} ago by ${ages.length} of ${pits.length} pit probes.`;
}

function bandForm() {
  const low = make("input", { type: "number", inputmode: "numeric", required: true });
  const high = make("input", { type: "number", inputmode: "numeric", required: true });
  const box = fold(
    "Change the band",
    make(
      "form",
      {
        onsubmit: (event) => {
          event.preventDefault();
          tell(
            "/api/band",
            { band: { low: inside(Number(low.value)), high: inside(Number(high.value)) } },
            "Band sent.",
          );
        },
      },
      make(
        "div",
        { class: "fields" },
        make("label", {}, `Low, ${unit()}`, low),
        make("label", {}, `High, ${unit()}`, high),
        make("button", {}, "Set the band"),
      ),
    ),
  );
  box.addEventListener("toggle", () => {
    const band = live.snapshot?.pit.band;
    if (box.open && band) {
      low.value = Math.round(shown(band.low));
      high.value = Math.round(shown(band.high));
    }
  });
  return box;
}

function grateFace(evenness) {
  if (evenness.places.length < 2) return [];
  return [
    make(
      "div",
      { class: "plate" },
      across(
        make("h2", {}, "Across the grate"),
        evenness.spread === null ? "" : make("p", {}, `${difference(evenness.spread).slice(1)} spread`),
      ),
      grate(evenness.places),
      across(
        ...evenness.places.map((place) =>
          make("p", {}, strong(place.place), ` ${difference(place.offset)} ${heatWord(place.offset)}`),
        ),
      ),
      evenness.advice ? make("p", {}, evenness.advice) : null,
      make("a", { class: "button", href: "#taught" }, "What we learned about this pit"),
    ),
  ];
}

function firesFace(snapshot) {
  if (snapshot.fires.length === 0) return [];
  return [
    make(
      "details",
      { class: "plate" },
      make("summary", {}, "What the fire did"),
      bullets(
        ...snapshot.fires.map((fire) =>
          make(
            "li",
            {},
            `${clock(fire.at, snapshot)} ${plain(fire.sign)}, ${Math.round(100 * fire.confidence)} % sure`,
          ),
        ),
      ),
    ),
  ];
}

/** So that an open list stays as it is while it is read. */
const byTheMinute = (value) =>
  JSON.stringify(value, (_key, inner) =>
    typeof inner === "number" ? Math.round(inner > 1 ? inner / 60 : inner * 100) : inner,
  );

const WIDE = matchMedia("(min-width: 900px)");

export function pitRoom(root) {
  const [face, words, mini] = [make("div", {}), make("div", { class: "stack" }), make("div", {})];
  const often = make("div", { class: "buttons tight" });
  const age = muted();
  const done = whenDone();
  const said = saidMarks();
  const serve = make("div", {});
  const [lines, list] = [make("div", { class: "plate lines" }), make("div", { id: "pieces" })];
  const [spots, fires, wide] = [make("div", {}), make("div", {}), make("div", { class: "wide-curve" })];
  root.className = "desk";
  root.replaceChildren(
    make(
      "div",
      { class: "side" },
      make("section", { class: "plate fire", "aria-label": "Pit" }, face, mini, words),
      lines,
      make(
        "section",
        { class: "plate", "aria-label": "Marks of the pit" },
        often,
        fold(
          "More marks",
          buttonRow(
            mark("log", "A log was put on", null, {}, "", done.choice),
            mark("fire-lit", "Fire lit", null, {}, "", done.choice),
            mark("damper", "Damper moved", null, {}, "", done.choice),
            mark("meat-on", "All meat on", null, {}, "", done.choice),
            mark("serve", "Served", null, {}, "", done.choice),
          ),
          done.node,
        ),
        bandForm(),
        age,
      ),
      said.node,
      spots,
      fires,
    ),
    make("div", { class: "middle" }, wide, serve),
    list,
  );
  let behind = false;
  let curve = null;
  const showMini = miniCurve(mini);
  const openCurve = async () => {
    if (curve || !WIDE.matches) return;
    curve = { update() {} };
    const { curveRoom } = await import("./curve.js");
    curve = curveRoom(wide);
    if (live.snapshot) curve.update(live.snapshot);
  };
  WIDE.addEventListener("change", openCurve);
  openCurve();
  const tick = () => {
    if (live.snapshot) say(age, pitAge(live.snapshot));
  };
  const update = (snapshot) => {
    redraw(face, [snapshot.pit, Math.floor(snapshot.time / 10), unit()], () => pitFace(snapshot));
    redraw(words, [snapshot.pit, Math.floor(snapshot.time / 10), unit()], () => pitWords(snapshot));
    redraw(often, snapshot.pit.stage === "unlit", () => [
      snapshot.pit.stage === "unlit"
        ? mark("fire-lit", "Fire is lit", null, { class: "main" })
        : mark("log", "Log put on", null, { class: "main" }),
      mark("lid-open", "Lid opened"),
      mark("lid-closed", "Lid closed"),
    ]);
    showMini(snapshot);
    pieceLines(lines, snapshot);
    redraw(
      serve,
      [
        snapshot.serve_at,
        snapshot.cook_name,
        byTheMinute(snapshot.standing),
        snapshot.pieces.map((piece) => piece.name),
        unit(),
      ],
      () => {
        const left =
          isBehind(snapshot.standing) === behind ? serve.querySelector("details")?.open : undefined;
        behind = isBehind(snapshot.standing);
        return standingFace(snapshot, left);
      },
    );
    redraw(spots, [snapshot.pit.evenness, unit()], () => grateFace(snapshot.pit.evenness));
    said.update(snapshot);
    redraw(fires, snapshot.fires, () => firesFace(snapshot));
    pieces(list, snapshot);
    curve?.update(snapshot);
    tick();
  };
  return { update, tick };
}
