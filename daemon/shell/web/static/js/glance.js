// One look: what is to be done now, or that nothing is, until when, and how sure. One standing alarm is large; the others are a
// count that opens; what is over is small. Acknowledging silences; it solves nothing.

import { button, find, keyed, make, redraw, say } from "./dom.js";
import { live, tell } from "./live.js";
import { stepsFace } from "./steps.js";
import { clock, inUnits, plain, shape, span, state, when } from "./words.js";

const NEW = new Set(["unacknowledged", "latched-unacknowledged"]);
const OVER = "returned-unacknowledged";
const AWAY = new Set(["shelved", "suppressed-by-design", "out-of-service"]);
const STATES = {
  unacknowledged: "New",
  acknowledged: "Seen, still so",
  [OVER]: "Over, not yet seen",
  "latched-unacknowledged": "Happened, not yet seen",
  "latched-acknowledged": "Happened, seen",
};
const ON_FIRE = ["on", "cooking", "stall", "past-stall", "wrapped", "tender-range"];
const RANK = { high: 0, medium: 1, low: 2 };
const CONTAINED = { "pit-falling": "fire-out", "pit-high": "runaway" }; // the lesser alarm says nothing beside the greater
export const isNew = (alarm) => NEW.has(alarm.state) || alarm.state === OVER;

/** Alarms on show, worst first: new before seen, then by priority, then the oldest. */
function onShow(snapshot) {
  const here = snapshot.alarms.filter((alarm) => !AWAY.has(alarm.state));
  const standing = new Set(
    here.filter((alarm) => alarm.state !== OVER).map((alarm) => `${alarm.rule}/${alarm.subject}`),
  );
  return here
    .filter((alarm) => !standing.has(`${CONTAINED[alarm.rule]}/${alarm.subject}`))
    .sort(
      (a, b) =>
        NEW.has(b.state) - NEW.has(a.state) ||
        (a.state === OVER) - (b.state === OVER) ||
        RANK[a.priority] - RANK[b.priority] ||
        a.raised_at - b.raised_at,
    );
}

function shelving(alarm) {
  const reason = make(
    "select",
    { "aria-label": "Reason" },
    ...["I am working on it", "Probe is out for a reason", "Known and harmless now"].map((text) =>
      make("option", {}, text),
    ),
  );
  const shelve = (minutes) =>
    button(`${minutes} min`, () =>
      tell(
        "/api/shelve",
        { alarm: alarm.key, seconds: minutes * 60, reason: reason.value },
        `Away for ${minutes} min. It will come back by itself.`,
      ),
    );
  return [
    make("p", {}, "Put away for a while, because"),
    reason,
    make("div", { class: "buttons tight" }, shelve(15), shelve(60), shelve(120)),
  ];
}

const seeing = (alarm, done) => () => tell("/api/acknowledge", { alarm }, done);

function card(alarm) {
  const [because, status] = [make("p", { class: "quiet why" }), make("span", {})];
  const seen = button("Seen", seeing(alarm.key, "Seen. It stays here until it is over."), { class: "main" });
  const pause = button("Pause 15 min", () =>
    tell("/api/pause", { seconds: 900 }, "Sound is paused for 15 min. Anything new still sounds."),
  );
  const later = make(
    "details",
    { class: "later" },
    make("summary", {}, "Not now"),
    make("div", { class: "buttons" }, pause),
    ...shelving(alarm),
  );
  const actions = make("div", { class: "answers" }, seen, later);
  // What happened once stays until somebody says that it was put right: the second acknowledgement.
  const put_right = make(
    "div",
    { class: "buttons" },
    button("It is put right", seeing(alarm.key, "Good. It is off the list.")),
  );
  const node = make(
    "article",
    { class: "alarm" },
    make("p", { class: "state" }, shape(alarm.priority), status),
    make("p", { class: "do" }, inUnits(alarm.text)),
    because,
    actions,
    put_right,
  );
  const update = (now) => {
    node.className = `alarm ${now.priority} ${isNew(now) ? "new" : ""} ${now.state === OVER ? "over" : ""}`;
    const kind = now.prompt ? "call" : "alarm";
    say(
      status,
      `${STATES[now.state] ?? plain(now.state)} · ${now.priority} ${kind} · ${clock(now.raised_at, live.snapshot)}`,
    );
    const left = now.consequence_in === null ? "" : ` About ${span(now.consequence_in)} left.`;
    say(because, inUnits(now.because) + left);
    put_right.hidden = now.state !== "latched-acknowledged";
    seen.hidden = !isNew(now);
    actions.hidden = !put_right.hidden;
  };
  return { node, update };
}

const keyOf = (alarm) => `${alarm.key}#${alarm.occurrence}#${alarm.text}`;
const counted = (number, one, many) => (number === 0 ? "" : `${number} ${number === 1 ? one : many}`);

/** "next log about 02:40 (02:23 to 02:55)", or why it is not known. */
function nextLog({ pit, pieces, time }, snapshot) {
  if (
    pieces.length > 0 &&
    pieces.every((piece) => ["off", "rest", "hold", "chill", "done"].includes(piece.stage))
  )
    return "";
  if (pit.log_due === null) return pit.stage === "unlit" ? "" : `Next log: not known, ${pit.no_forecast}.`;
  const { p05, p50, p95 } = pit.log_due;
  const about = p50 <= time ? "Next log due now" : `Next log about ${when(p50, snapshot)}`;
  return `${about} (${clock(Math.max(p05, time), snapshot)} to ${clock(p95, snapshot)}).`;
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
  const ready = `${last.name} ready about ${when(last.at.p50, snapshot)} (${clock(last.at.p05, snapshot)} to ${clock(last.at.p95, snapshot)})`;
  const ahead = snapshot.standing?.ahead ?? null;
  if (ahead === null) return `${ready}.`;
  return `${ready}, ${Math.abs(ahead) < 600 ? "on course" : ahead > 0 ? `${span(ahead)} to spare` : `${span(-ahead)} late`}.`;
}

function sleepLine({ nap, sleep }, snapshot) {
  if (!sleep.asleep || nap === null) return "";
  if (nap.until === null) return "Nobody can promise a sleep now.";
  if ((nap.latest ?? nap.until) < snapshot.time) return ""; // that promise is over
  const latest = nap.latest === null ? "" : `, at the latest ${clock(nap.latest, snapshot)}`;
  return `You may sleep until ${clock(nap.until, snapshot)}${latest}.`;
}

const LIT = ["in-band", "falling", "low", "out", "high", "runaway"];

/** Green only where the pit can be read and is where it should be; else what is known, without a tick. */
function calmHead({ pit, pieces }) {
  const running = pieces.length > 0 || !["unlit", "cooling"].includes(pit.stage);
  if (!running) return "No cook is running";
  const onFire = pieces.some((piece) => ON_FIRE.includes(piece.stage));
  if (pit.celsius === null) return state("bad", "The pit cannot be read: look at it");
  if (onFire && pit.celsius < pit.band.low && LIT.includes(pit.stage))
    return state(
      "suspect",
      pit.lid_open ? "Shut the lid: the pit is below its band" : "The pit is below its band: look at it",
    );
  if (
    pieces.length > 0 &&
    !onFire &&
    pit.stage === "unlit" &&
    pieces.some((piece) => piece.stage === "waiting")
  )
    return state("quiet", "The fire is not lit yet");
  return state("good", "Nothing to do now");
}

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
  const shownNow = onShow(snapshot);
  const standing = shownNow.filter((alarm) => alarm.state !== OVER);
  const [first, ...others] = standing.length ? shownNow : [undefined, ...shownNow];
  keyed(find("alarms"), first ? [first] : [], keyOf, card);
  keyed(find("other-alarms"), others, keyOf, card);
  const over = others.filter((alarm) => alarm.state === OVER).length;
  const words = [
    counted(others.length - over, "more alarm", "more alarms"),
    counted(over, "is over", "are over"),
  ]
    .filter(Boolean)
    .join(", ");
  find("more").hidden = others.length === 0;
  say(find("more-words"), words);
  find("all-seen").hidden = shownNow.filter(isNew).length < 2;
  const { time, ...rest } = snapshot.pit;
  find("calm").hidden = first !== undefined && !snapshot.sleep.asleep;
  redraw(
    find("calm"),
    [
      first?.key,
      Math.floor(snapshot.time / 20),
      Math.round(snapshot.pit.celsius ?? -999),
      rest.log_due,
      snapshot.nap,
      snapshot.sleep,
      snapshot.pit.stage,
      snapshot.pieces.map(({ stage }) => stage),
      snapshot.channels.map(({ quality }) => quality),
    ],
    () => calmFace(snapshot, first),
  );
}

export function prepareGlance() {
  find("all-seen").addEventListener(
    "click",
    seeing("*", "All seen. What still stands stays here until it is over."),
  );
}

export const alarmsAway = (parent, snapshot) => {
  const away = snapshot.alarms.filter((alarm) => AWAY.has(alarm.state));
  const word = (alarm) =>
    alarm.state === "suppressed-by-design" ? "not sounding: it has a known cause" : plain(alarm.state);
  redraw(parent, away, () =>
    away.length === 0
      ? []
      : [
          make(
            "div",
            { class: "plate" },
            make("h2", {}, "Put away"),
            make(
              "ul",
              { class: "list" },
              ...away.map((alarm) =>
                make(
                  "li",
                  {},
                  make(
                    "p",
                    {},
                    `${alarm.text} · ${word(alarm)}${alarm.shelved_until === null ? "" : ` until ${clock(alarm.shelved_until, snapshot)}`}`,
                  ),
                  make("p", { class: "quiet" }, alarm.shelved_reason),
                  alarm.state === "shelved"
                    ? button("Bring back", () => tell("/api/unshelve", { alarm: alarm.key }, "It is back."))
                    : null,
                ),
              ),
            ),
          ),
        ],
  );
};
