// One look: what is to be done now, or that nothing is, until when, and how sure.

import { showAlarms } from "./alarms.js";
import { find, make, redraw } from "./dom.js";
import { allPits } from "./pits.js";
import { course, isOld } from "./standing.js";
import { stepsFace } from "./steps.js";
import { capital, clock, span, state, when } from "./words.js";
import { t } from "./texts.js";

const ON_FIRE = ["on", "cooking", "stall", "past-stall", "wrapped", "tender-range"];

/** "next log about 02:40 (02:23 to 02:55)", or why it is not known. */
function nextLog({ pieces, time }, snapshot) {
  const known = allPits(snapshot).filter(({ log_due }) => log_due !== null);
  const pit = known.reduce((a, b) => (b.log_due.p50 < a.log_due.p50 ? b : a), known[0] ?? snapshot.pit);
  if (
    pieces.length > 0 &&
    pieces.every((piece) => ["off", "rest", "hold", "chill", "done"].includes(piece.stage))
  )
    return "";
  if (pit.log_due === null)
    return pit.stage === "unlit" ? "" : t("glance.next-log-not-known", { no_forecast: pit.no_forecast });
  const { p05, p50, p95 } = pit.log_due;
  const about =
    p50 <= time ? t("glance.next-log-due-now") : t("glance.next-log-about", { p50: when(p50, snapshot) });
  const old = isOld({ pit, time })
    ? t("glance.forecast-ago-do-not-rely", { time: span(time - pit.forecast_made_at) })
    : "";
  return t("glance.about-p05-to-p95-old", {
    about,
    p05: clock(Math.max(p05, time), snapshot),
    p95: clock(p95, snapshot),
    old,
  });
}

/** The piece that is ready last, and how that lies to the serving time. */
function meatReady(snapshot) {
  const ends = snapshot.pieces.flatMap((piece) =>
    piece.outlooks
      .filter(
        ({ scenario, goal, at }) =>
          scenario === "planned" && ["tender", "target"].includes(goal) && at !== null,
      )
      .map(({ at }) => ({ at, name: piece.name })),
  );
  if (ends.length === 0) return "";
  const last = ends.reduce((a, b) => (b.at.p50 > a.at.p50 ? b : a));
  const ready = t("glance.ready-about-to", {
    name: last.name,
    p50: when(last.at.p50, snapshot),
    p05: clock(last.at.p05, snapshot),
    p95: clock(last.at.p95, snapshot),
  });
  const ahead = snapshot.standing?.ahead ?? null;
  if (ahead === null) return `${ready}.`;
  return `${ready}, ${course(snapshot.standing)[1]}.`;
}

function sleepLine({ nap, sleep }, snapshot) {
  if (!sleep.asleep || nap === null) return "";
  if (nap.until === null) return t("glance.nobody-can-promise-a");
  if ((nap.latest ?? nap.until) < snapshot.time) return ""; // that promise is over
  const latest =
    nap.latest === null ? "" : t("glance.at-the-latest", { latest: clock(nap.latest, snapshot) });
  return t("glance.you-may-sleep-until", { until: clock(nap.until, snapshot), latest });
}

const LIT = ["in-band", "falling", "low", "out", "high", "runaway"];

/** Green only where the pit can be read and is where it should be; else what is known, without a tick. */
function calmHead(snapshot) {
  const heads = allPits(snapshot).map((pit) => headOf(pit, piecesOn(pit, snapshot), snapshot.standing));
  const bad = heads.findIndex((head) => head.className && !head.className.includes("good"));
  if (snapshot.pits.length === 0 || bad < 0)
    return heads.find((head) => head.className?.includes("good")) ?? heads[0];
  return make("span", {}, `${snapshot.pits[bad].name}: `, heads[bad]);
}

const piecesOn = ({ id }, { pieces, pits }) =>
  pits.length > 0 ? pieces.filter((piece) => piece.pit === id) : pieces;

function headOf(pit, pieces, standing) {
  const running = pieces.length > 0 || !["unlit", "cooling"].includes(pit.stage);
  if (!running) return t("glance.no-cook-is-running");
  const onFire = pieces.some((piece) => ON_FIRE.includes(piece.stage));
  if (pit.celsius === null) return state("bad", t("glance.the-pit-cannot-be-read"));
  if (onFire && pit.celsius < pit.band.low && LIT.includes(pit.stage))
    return state(
      "suspect",
      pit.lid_open ? t("glance.shut-the-lid-the-pit-is") : t("glance.the-pit-is-below-its"),
    );
  if (
    pieces.length > 0 &&
    !onFire &&
    pit.stage === "unlit" &&
    pieces.some((piece) => piece.stage === "waiting")
  )
    return state("quiet", t("glance.the-fire-is-not-lit-yet"));
  const [how, words] = standing?.ahead == null ? ["good"] : course(standing);
  return how === "bad"
    ? state(how, t("glance.see-what-would-help", { words: capital(words) }))
    : state("good", t("glance.nothing-to-do-now"));
}

const promised = ({ nap }) => nap !== null && nap.until !== null;

function calmFace(snapshot, first) {
  const steps = first === undefined ? stepsFace(snapshot) : null;
  if (steps !== null) return steps;
  const head = first === undefined ? make("p", { class: "do calm" }, calmHead(snapshot)) : null;
  // beside an alarm only what it does not say and the pit below does not show
  const lines = [
    sleepLine(snapshot, snapshot),
    ...(first === undefined ? [nextLog(snapshot, snapshot), meatReady(snapshot)] : []),
  ].filter(Boolean);
  return [head, ...lines.map((text) => make("p", {}, text))];
}

export function showGlance(snapshot) {
  const first = showAlarms(snapshot);
  find("calm").hidden = first !== undefined && !(snapshot.sleep.asleep && promised(snapshot));
  redraw(find("calm"), null, () => calmFace(snapshot, first));
}
