// Before the fire burns: what is to be done, in order, with a tick on what is done.

import { buttonRow, make } from "./dom.js";
import { capital, state, when } from "./words.js";

const NOT_ON = ["waiting"];

function probes({ channels }) {
  const good = channels.filter(({ quality }) => quality !== "bad").length;
  return {
    done: channels.length > 0 && good === channels.length,
    text: `${good} of ${channels.length} probes are read`,
    head: channels.length === 0 ? "Name your probes in the rig file" : "Look at the probes: not all are read",
    link: ["#care", "Every probe"],
  };
}

const cook = ({ pieces, cook_name }) => ({
  done: pieces.length > 0,
  text: pieces.length > 0 ? `${cook_name} is set up` : "Set up the cook: cut, weight, serving time",
  head: "Set up a cook",
  more: "It then says when to light, when each piece goes on, and how much wood to lay ready.",
  link: ["#cooks/start", "Set up a cook"],
});

const testWake = ({ sleep }) => ({
  done: sleep.test_wake === "acknowledged",
  text: sleep.test_wake === "acknowledged" ? "A test wake was heard" : "Send a test wake while it is light",
  head: "Try a test wake",
  optional: true,
  link: ["#night", "To the test wake"],
});

/** " by 20:10" where a plan is kept, else nothing. */
const by = (snapshot, kind) => {
  const due = snapshot.plan?.steps.filter((step) => step.kind === kind && !step.done) ?? [];
  return due.length ? ` by ${when(Math.min(...due.map(({ planned }) => planned)), snapshot)}` : "";
};

const plan = (snapshot) => ({
  done: snapshot.plan !== null,
  text: snapshot.plan === null ? "Keep a plan: it calls you to light and to put on" : "The plan is kept",
  head: "Keep a plan",
  link: ["#plan", "Plan it"],
  optional: true,
});

const fire = (snapshot) => ({
  done: snapshot.pit.stage !== "unlit",
  text:
    snapshot.pit.stage === "unlit"
      ? `Light the fire${by(snapshot, "light")} and press “Fire is lit”`
      : "The fire is lit",
  head: `Light the fire${by(snapshot, "light")}`,
});

const meat = (snapshot) => ({
  done: snapshot.pieces.length > 0 && snapshot.pieces.every(({ stage }) => !NOT_ON.includes(stage)),
  text: `Put the meat on${by(snapshot, "put-on")}, when the pit is in its band`,
  head: "Put the meat on",
});

const STEPS = [probes, cook, plan, testWake, fire, meat];

/** Null where the fire burns under a cook: then the pit speaks. */
export function stepsFace(snapshot) {
  const before = snapshot.pieces.length === 0 || snapshot.pit.stage === "unlit";
  const waiting = snapshot.pieces.every(({ stage }) => NOT_ON.includes(stage));
  if (!before || !waiting || ["cooling", "out"].includes(snapshot.pit.stage)) return null;
  const steps = STEPS.map((step) => step(snapshot));
  // a plan and a test wake are good advice, yet no reason to put off the fire
  const next = steps.find(({ done, optional }) => !done && !optional) ?? steps.find(({ done }) => !done);
  if (!next) return null;
  return [
    make("p", { class: "do calm" }, `Next: ${next.head.charAt(0).toLowerCase()}${next.head.slice(1)}`),
    next.more ? make("p", {}, next.more) : null,
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
