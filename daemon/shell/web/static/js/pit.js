// The pit: temperature, band, trend, next log, marks, grate.

import { across, bullets, buttonRow, fold, make, muted, redraw, say, strong } from "./dom.js";
import { stands } from "./alarms.js";
import { grate, heatWord } from "./draw.js";
import { live, sinceWord, tell } from "./live.js";
import { mark, whenDone } from "./marks.js";
import { miniCurve } from "./mini.js";
import { feedWord, isOld, isRecordLost, lowWord, namedPit, ofPit, pitChoice } from "./pits.js";
import { saidMarks } from "./said.js";
import { pieceLines, pieces } from "./pieces.js";
import { isBehind, standingFace } from "./standing.js";
import {
  big,
  capital,
  clock,
  degrees,
  difference,
  inside,
  plain,
  shown,
  span,
  state,
  trendMark,
  unit,
} from "./words.js";
import { t } from "./texts.js";

const FIRE_WORDS = {
  unlit: ["quiet", t("pit.not-lit")],
  lighting: ["suspect", t("pit.lighting")],
  heating: ["suspect", "heating"],
  "in-band": ["good", t("pit.in-the-band")],
  falling: ["suspect", t("pit.falling")],
  low: ["low", t("pit.below-the-band")],
  out: ["bad", t("pit.fire-out")],
  high: ["medium", t("pit.above-the-band")],
  runaway: ["high", t("pit.running-away")],
  cooling: ["cool", "cooling"],
};

/** The words of the stage, unless the number says otherwise at this moment. */
function fireWord({ stage, celsius, band, lid_open }, recordLost) {
  if (celsius === null) return ["bad", t("pit.cannot-be-read")];
  if (recordLost && stage === "unlit") return ["suspect", t("pit.fire-not-known")];
  if (lid_open) return ["suspect", t("pit.lid-open")];
  if (stage === "in-band" && celsius !== null && celsius < band.low) return FIRE_WORDS.low;
  if (["in-band", "heating"].includes(stage) && celsius !== null && celsius > band.high + 3)
    return FIRE_WORDS.high;
  return FIRE_WORDS[stage] ?? ["quiet", plain(stage)];
}

function burning(pit, snapshot) {
  const last =
    pit.last_log === null
      ? t("pit.no-log-seen-yet")
      : t("pit.last-last-log", { last_log: clock(pit.last_log, snapshot) });
  const told = !stands(snapshot) && snapshot.pits.length === 0; // in the answers at the top
  const unread = pit.celsius === null;
  if (pit.log_due === null || unread)
    return muted(
      told
        ? capital(last)
        : t(pit.feed_called && !unread ? "pit.next-log-now" : "pit.next-log-not-known", {
            no_forecast: unread ? t("glance.the-pit-cannot-be-read") : capital(pit.no_forecast),
          }),
    );
  const made = pit.forecast_made_at;
  const old = isOld(pit, snapshot.time);
  const ahead = (pit.feed_at ?? 0) - snapshot.time;
  const word = feedWord(pit, snapshot);
  const next = pit.feed_called || ahead <= 0 ? word : t("pit.at-in", { at: word, ahead: span(ahead) });
  return across(
    old
      ? state("suspect", t("pit.this-forecast-is-old-do", { time: span(snapshot.time - (made ?? 0)) }))
      : pit.feed_at === null
        ? muted(t("pit.nobody-is-called"))
        : make("p", { class: "next" }, t("pit.next-log"), make("strong", { class: "num hot" }, next)),
    muted(
      pit.feed_called && !old
        ? last // the call says the rest
        : [
            told && pit.feed_at !== null ? "" : lowWord(pit, snapshot),
            made === null ? "" : t("pit.as-of-made", { made: clock(made, snapshot) }),
            last,
          ]
            .filter(Boolean)
            .join(", "),
    ),
  );
}

const SHORT = 16; // letters of a name that has room beside the number

/** Of a pit that nobody sees: what it read last, and when. */
const lastRead = (snapshot) =>
  snapshot.pit.last_seen_at === null
    ? ""
    : t("pit.was-celsius-at", {
        celsius: degrees(snapshot.pit.last_celsius),
        at: clock(snapshot.pit.last_seen_at, snapshot),
      });

function pitFace(snapshot) {
  const pit = snapshot.pit;
  const name = make("h2", {}, pit.name);
  const beside = pit.name.length <= SHORT;
  return [
    beside ? null : name,
    make(
      "div",
      { class: "hero" },
      big(pit.celsius),
      make(
        "div",
        { class: "trend" },
        beside ? name : null,
        state(...fireWord(pit, isRecordLost(snapshot))),
        make("p", { class: "num" }, pit.celsius === null ? lastRead(snapshot) : trendMark(pit.rate)),
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
  if (ages.length === 0) return t("pit.no-usable-pit-probe-of", { pits: pits.length });
  return t("pit.read-ago", {
    age: span(Math.min(...ages.map((c) => c.age)) + sinceWord()),
    good: ages.length,
    pits: pits.length,
  });
}

function bandForm() {
  const low = make("input", { type: "number", inputmode: "numeric", required: true });
  const high = make("input", { type: "number", inputmode: "numeric", required: true });
  const box = fold(
    t("pit.change-the-band"),
    make(
      "form",
      {
        onsubmit: (event) => {
          event.preventDefault();
          tell(
            "/api/band",
            { band: { low: inside(Number(low.value)), high: inside(Number(high.value)) }, ...namedPit() },
            t("pit.band-sent"),
          );
        },
      },
      make(
        "div",
        { class: "fields" },
        make("label", {}, t("pit.low-unit", { unit: unit() }), low),
        make("label", {}, t("pit.high-unit", { unit: unit() }), high),
        make("button", {}, t("pit.set-the-band")),
      ),
    ),
  );
  box.addEventListener("toggle", () => {
    const band = live.snapshot ? ofPit(live.snapshot).pit.band : null;
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
        make("h2", {}, t("pit.across-the-grate")),
        evenness.spread === null
          ? ""
          : make("p", {}, t("pit.spread-spread", { spread: difference(evenness.spread).slice(1) })),
      ),
      grate(evenness.places),
      across(
        ...evenness.places.map((place) =>
          make("p", {}, strong(place.place), ` ${difference(place.offset)} ${plain(heatWord(place.offset))}`),
        ),
      ),
      evenness.advice ? make("p", {}, evenness.advice) : null,
      make("a", { class: "button", href: "#taught" }, t("pit.what-we-learned-about")),
    ),
  ];
}

function firesFace(snapshot) {
  if (snapshot.fires.length === 0) return [];
  return [
    make(
      "details",
      { class: "plate" },
      make("summary", {}, t("pit.what-the-fire-did")),
      bullets(
        ...snapshot.fires.map((fire) =>
          make(
            "li",
            {},
            t("pit.at-sign-confidence-sure", {
              at: clock(fire.at, snapshot),
              sign: plain(fire.sign),
              confidence: Math.round(100 * fire.confidence),
            }),
          ),
        ),
      ),
    ),
  ];
}

const WIDE = matchMedia("(min-width: 900px)");

export function pitRoom(root) {
  const [face, words, mini] = [make("div", {}), make("div", { class: "stack" }), make("div", {})];
  const often = make("div", { class: "buttons tight fit" });
  const age = muted();
  const done = whenDone();
  const said = saidMarks();
  const serve = make("div", {});
  const [lines, list] = [make("div", { class: "plate lines" }), make("div", { id: "pieces" })];
  const [spots, fires, wide] = [make("div", {}), make("div", {}), make("div", { class: "wide-curve" })];
  const choice = pitChoice(fireWord, () => live.snapshot && update(live.snapshot));
  root.className = "desk";
  root.replaceChildren(
    make(
      "div",
      { class: "side" },
      choice.node,
      make("section", { class: "plate fire", "aria-label": t("pit.pit") }, face, mini, words),
      lines,
      make(
        "section",
        { class: "plate", "aria-label": t("pit.marks-of-the-pit") },
        often,
        fold(
          t("pit.more-marks"),
          buttonRow(
            mark("log", t("pit.a-log-was-put-on"), null, {}, "", done.choice),
            mark("fire-lit", t("pit.fire-lit"), null, {}, "", done.choice),
            mark("damper", t("pit.damper-moved"), null, {}, "", done.choice),
            mark("meat-on", t("pit.all-meat-on"), null, {}, "", done.choice),
            mark("serve", t("pit.served"), null, {}, "", done.choice),
          ),
          done.node,
        ),
        bandForm(),
        age,
      ),
      serve,
      said.node,
      spots,
      fires,
    ),
    make("div", { class: "middle" }, wide),
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
    if (live.snapshot) say(age, pitAge(ofPit(live.snapshot)));
  };
  const update = (watch) => {
    const snapshot = ofPit(watch);
    choice.update(watch);
    redraw(face, null, () => pitFace(snapshot));
    redraw(words, null, () => pitWords(snapshot));
    redraw(often, null, () => [
      snapshot.pit.stage === "unlit"
        ? mark("fire-lit", t("pit.fire-is-lit"), null, { class: "main" })
        : mark("log", t("pit.log-put-on"), null, { class: "main" }),
      mark("lid-open", t("pit.lid-opened")),
      mark("lid-closed", t("pit.lid-closed")),
    ]);
    showMini(snapshot);
    pieceLines(lines, snapshot);
    redraw(serve, null, () => {
      const left = isBehind(snapshot.standing) === behind ? serve.querySelector("details")?.open : undefined;
      behind = isBehind(snapshot.standing);
      return standingFace(snapshot, left);
    });
    redraw(spots, null, () => grateFace(snapshot.pit.evenness));
    said.update(snapshot);
    redraw(fires, null, () => firesFace(snapshot));
    pieces(list, snapshot);
    curve?.update(snapshot);
    tick();
  };
  return { update, tick };
}
