// One look: what is to be done now, or that nothing is, until when, and how sure.

import { isNew, showAlarms } from "./alarms.js";
import { find, make, redraw } from "./dom.js";
import { OFF, ON_FIRE, isForetoldBlind, readyAt } from "./foretold.js";
import { live } from "./live.js";
import { allPits, feedWord, isOld, lowWord } from "./pits.js";
import { course } from "./standing.js";
import { stepsFace } from "./steps.js";
import { between, capital, clock, span, state, when } from "./words.js";
import { t } from "./texts.js";

/** What is shown of a forecast that has no successor. age: s. */
const unreliable = (age) => [t("glance.do-not-rely"), [t("glance.forecast-ago", { time: span(age) })], true];
const notKnown = (...why) => [t("glance.not-known"), why, true];

/** [what, when, what else is known of it, is it no answer] of the wood; null where no fire burns for anything. Of several pits the
 * first that is due; one whose forecast is old is named beside it. */
function nextLog(snapshot) {
  const { pieces, time, pits } = snapshot;
  const known = allPits(snapshot).filter(({ log_due, feed_at }) => log_due !== null && feed_at !== null);
  const fresh = known.filter((pit) => !isOld(pit, time));
  const first = (due) => due.reduce((a, b) => (b.feed_at < a.feed_at ? b : a));
  if (pieces.length > 0 && !pieces.some(({ stage }) => ON_FIRE.includes(stage))) return null; // nobody is called
  const name = t("glance.next-log");
  if (known.length === 0)
    return snapshot.pit.stage === "unlit" ? null : [name, ...notKnown(snapshot.pit.no_forecast)];
  if (known.every(({ celsius }) => celsius === null)) return [name, ...notKnown()]; // the line on top says why
  if (fresh.length === 0) return [name, ...unreliable(time - (first(known).forecast_made_at ?? time))];
  const pit = first(fresh);
  const old = known.filter((other) => !fresh.includes(other) && other.celsius !== null);
  return [
    name,
    feedWord(pit, snapshot),
    [
      pits.length > 0 ? pit.name : "",
      lowWord(pit, snapshot),
      ...old.map(({ name }) => t("glance.old-forecast-of", { name })),
    ],
  ];
}

/** The piece that is ready last, and how that lies to the serving time; who is not in it is named. */
function meatReady(snapshot) {
  const { pieces } = snapshot;
  if (pieces.some((piece) => isForetoldBlind(piece, snapshot))) return [t("glance.ready"), ...notKnown()];
  const ends = pieces.map(readyAt).filter((at) => at !== undefined);
  if (ends.length === 0)
    return pieces.some(({ stage }) => ON_FIRE.includes(stage))
      ? [t("glance.ready"), ...notKnown(t("glance.no-forecast-yet"))]
      : null;
  const without = pieces.filter((piece) => !OFF.includes(piece.stage) && readyAt(piece) === undefined);
  const last = ends.reduce((a, b) => (b.p50 > a.p50 ? b : a));
  const ahead = snapshot.standing?.ahead ?? null;
  return [
    t(pieces.length > 1 && without.length === 0 ? "glance.all-ready" : "glance.ready"),
    when(last.p50, snapshot),
    [
      between(last.p05, last.p95, snapshot),
      without.length > 0
        ? t("glance.without", { names: without.map(({ name }) => name).join(", ") })
        : ahead === null
          ? ""
          : course(snapshot.standing)[1],
    ],
  ];
}

/** How long one may sleep: as it was promised; before anybody asked, as it would be. */
function maySleep(snapshot) {
  const { nap, sleep, could_sleep, pit, pieces, time } = snapshot;
  const asleep = sleep.asleep && nap !== null;
  const answer = asleep ? nap : could_sleep;
  if (answer === null || (pieces.length === 0 && ["unlit", "cooling"].includes(pit.stage))) return null;
  if (answer.until === null) {
    const told = pit.celsius === null || answer.reason === pit.no_forecast; // beside it, or in the line above
    return [t("glance.sleep"), t("glance.no-promise"), told && !asleep ? [] : [answer.reason], true];
  }
  const latest = answer.latest ?? answer.until;
  if (latest < time) return null; // that promise is over
  const more = [
    asleep ? t("glance.promised") : "",
    t("glance.latest", { latest: clock(latest, snapshot) }),
    answer.unmet.length > 0 ? t("glance.not-ready", { unmet: answer.unmet.length }) : "",
  ];
  return [t("glance.sleep-until"), when(answer.until, snapshot), more];
}

const LIT = ["in-band", "falling", "low", "out", "high", "runaway"];

/** Green only where the pit can be read and is where it should be; else what is known, without a tick. */
function calmHead(snapshot) {
  const heads = allPits(snapshot).map((pit) => headOf(pit, piecesOn(pit, snapshot), snapshot.standing));
  const bad = heads.findIndex((head) => head.className && !head.className.includes("good"));
  if (snapshot.pits.length === 0 || bad < 0) {
    const good = heads.find((head) => head.className?.includes("good"));
    // green says that one may look away
    return good && live.facts?.can_wake === false
      ? state("suspect", t("glance.nothing-to-do-unwoken"))
      : (good ?? heads[0]);
  }
  return make("span", {}, `${snapshot.pits[bad].name}: `, heads[bad]);
}

const piecesOn = ({ id }, { pieces, pits }) =>
  pits.length > 0 ? pieces.filter((piece) => piece.pit === id) : pieces;

function headOf(pit, pieces, standing) {
  const running = pieces.length > 0 || !["unlit", "cooling"].includes(pit.stage);
  if (!running) return t("glance.no-cook-is-running");
  const onFire = pieces.some((piece) => ON_FIRE.includes(piece.stage));
  if (pit.celsius === null) return state("bad", t("glance.the-pit-cannot-be-read"));
  if (pit.celsius < pit.band.low && LIT.includes(pit.stage)) {
    const waits = !onFire && pieces.length > 0;
    return state(
      "suspect",
      waits && pit.stage === "out"
        ? t("glance.out-without-meat")
        : waits
          ? t("glance.below-without-meat")
          : pit.lid_open
            ? t("glance.shut-the-lid-the-pit-is")
            : t("glance.the-pit-is-below-its"),
    );
  }
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

/** more: parts, each on a line of its own where there is little room. */
const answerRow = ([what, at, more, none]) =>
  make(
    "div",
    {},
    make("dt", {}, what),
    make("dd", { class: none ? "none" : "num" }, at),
    make("dd", { class: "quiet" }, ...more.filter(Boolean).flatMap((part) => [make("span", {}, part), " "])),
  );

function calmFace(snapshot, first, rows) {
  const steps = first === undefined ? stepsFace(snapshot) : null;
  if (steps !== null) return steps;
  const head = first === undefined ? make("p", { class: "do calm" }, calmHead(snapshot)) : null;
  return [head, rows.length ? make("dl", { class: "told" }, ...rows.map(answerRow)) : null];
}

/** Three questions have their answer here: what is to be done, how long may I sleep, when will it be ready. Beside an alarm only
 * what the pit below does not show, and nothing of sleep nobody was promised while the alarm waits for its answer. */
export function showGlance(snapshot) {
  const first = showAlarms(snapshot);
  const promised = snapshot.sleep.asleep && snapshot.nap !== null && snapshot.nap.until !== null;
  const sleep = first === undefined || promised || !isNew(first) ? maySleep(snapshot) : null;
  const rows = (first === undefined ? [nextLog(snapshot), sleep, meatReady(snapshot)] : [sleep]).filter(
    Boolean,
  );
  find("calm").hidden = first !== undefined && rows.length === 0;
  redraw(find("calm"), null, () => calmFace(snapshot, first, rows));
}
