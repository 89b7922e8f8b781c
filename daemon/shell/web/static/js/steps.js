// Before the fire burns: what is to be done, in order, with a tick on what is done.

import { buttonRow, buttonTwice, make } from "./dom.js";
import { tell } from "./live.js";
import { mark } from "./marks.js";
import { isRecordLost } from "./pits.js";
import { capital, state, when } from "./words.js";
import { t } from "./texts.js";

const NOT_ON = ["waiting"];

function probes({ channels }) {
  const good = channels.filter(({ quality }) => quality !== "bad").length;
  return {
    done: channels.length > 0 && good === channels.length,
    text: t("steps.of-probes-are-read", { good, channels: channels.length }),
    head: channels.length === 0 ? t("steps.name-your-probes-in-the") : t("steps.look-at-the-probes-not"),
    link: ["#care", t("steps.every-probe")],
  };
}

const cook = ({ pieces, cook_name }) => ({
  done: pieces.length > 0,
  text: pieces.length > 0 ? t("steps.cook-name-is-set-up", { cook_name }) : t("steps.set-up-the-cook-cut"),
  head: t("steps.set-up-a-cook"),
  more: t("steps.it-then-says-when-to"),
  link: ["#cooks/start", t("steps.set-up-a-cook")],
});

const testWake = ({ sleep }) => ({
  done: sleep.test_wake === "acknowledged",
  text:
    sleep.test_wake === "acknowledged" ? t("steps.a-test-wake-was-heard") : t("steps.send-a-test-wake-while"),
  head: t("steps.try-a-test-wake"),
  optional: true,
  link: ["#night", t("steps.to-the-test-wake")],
});

/** " by 20:10" where a plan is kept, else nothing. */
const by = (snapshot, kind) => {
  const due = snapshot.plan?.steps.filter((step) => step.kind === kind && !step.done) ?? [];
  return due.length
    ? t("steps.by", { time: when(Math.min(...due.map(({ planned }) => planned)), snapshot) })
    : "";
};

const plan = (snapshot) => ({
  done: snapshot.plan !== null,
  text: snapshot.plan === null ? t("steps.keep-a-plan-it-calls-you") : t("steps.the-plan-is-kept"),
  head: t("steps.keep-a-plan"),
  link: ["#plan", t("steps.plan-it")],
  optional: true,
});

/** The pits that have meat to cook, the one that a plan lights first in front; where there is none, the first. */
function pitsInUse(snapshot) {
  const used = snapshot.pits.filter(({ id }) => snapshot.pieces.some(({ pit }) => pit === id));
  const steps = snapshot.plan?.steps ?? [];
  const hour = ({ id }) => steps.find(({ kind, pit }) => kind === "light" && pit === id)?.planned ?? 0;
  return used.length > 0 ? used.sort((one, other) => hour(one) - hour(other)) : [snapshot.pit];
}

const isUnlit = (snapshot) => pitsInUse(snapshot).every(({ stage }) => stage === "unlit");

function fire(snapshot) {
  const [{ name }] = pitsInUse(snapshot);
  const hour = by(snapshot, "light");
  const [press, head] =
    snapshot.pits.length > 0
      ? [t("steps.light-a-pit-and-press", { name, by: hour }), t("steps.light-a-pit", { name, by: hour })]
      : [t("steps.light-the-fire-and-press", { by: hour }), t("steps.light-the-fire", { by: hour })];
  const done = !isUnlit(snapshot);
  return { done, text: done ? t("steps.the-fire-is-lit") : press, head };
}

const meat = (snapshot) => ({
  done: snapshot.pieces.length > 0 && snapshot.pieces.every(({ stage }) => !NOT_ON.includes(stage)),
  text: t("steps.put-the-meat-on-when-the", { by: by(snapshot, "put-on") }),
  head: t("steps.put-the-meat-on"),
});

/** Asked first; of the fire nothing is said until it is answered. */
const record = (snapshot) => ({
  done: !isRecordLost(snapshot),
  hidden: !isRecordLost(snapshot),
  text: t("steps.record-lost"),
  head: t("steps.say-what-is-on-the-fire"),
  more: t("steps.if-meat-is-on-set"),
  buttons: () => [
    make("a", { class: "button main", href: "#cooks/start" }, t("steps.set-up-a-cook")),
    mark("fire-lit", t("pit.fire-is-lit")),
    buttonTwice(t("steps.nothing-is-on"), t("steps.press-again-if-nothing"), () =>
      tell("/api/end-cook", {}, t("steps.asked-no-longer")),
    ),
  ],
});

const STEPS = [record, probes, cook, plan, testWake, fire, meat];
const ASKED = [record, probes, testWake];

/** Null where the fire burns under a cook: then the pit speaks. */
export function stepsFace(snapshot) {
  const before = snapshot.pieces.length === 0 || isUnlit(snapshot);
  const waiting = snapshot.pieces.every(({ stage }) => NOT_ON.includes(stage));
  const over = !before || !waiting || ["cooling", "out"].includes(snapshot.pit.stage);
  if (over && !isRecordLost(snapshot)) return null;
  const steps = (isRecordLost(snapshot) ? ASKED : STEPS)
    .map((step) => step(snapshot))
    .filter(({ hidden }) => !hidden);
  // a plan and a test wake are good advice, yet no reason to put off the fire
  const next = steps.find(({ done, optional }) => !done && !optional) ?? steps.find(({ done }) => !done);
  if (!next) return null;
  return [
    make(
      "p",
      { class: "do calm" },
      t("steps.next-head-head2", { head: next.head.charAt(0).toLowerCase(), head2: next.head.slice(1) }),
    ),
    next.more ? make("p", {}, next.more) : null,
    next.buttons ? buttonRow(...next.buttons()) : null,
    next.link ? buttonRow(make("a", { class: "button main", href: next.link[0] }, next.link[1])) : null,
    make(
      "ol",
      { class: "steps" },
      ...steps.map((step) =>
        make("li", {}, state(step.done ? "good" : step === next ? "medium" : "quiet", capital(step.text))),
      ),
    ),
  ];
}
