// Before the fire burns: what is to be done, in order, with a tick on what is done.

import { make } from "./dom.js";
import { capital, state } from "./words.js";

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
  link: ["#night", "To the test wake"],
});

const fire = ({ pit }) => ({
  done: pit.stage !== "unlit",
  text: pit.stage === "unlit" ? "Light the fire and press “Fire is lit”" : "The fire is lit",
  head: "Light the fire",
});

const meat = ({ pieces }) => ({
  done: pieces.length > 0 && pieces.every(({ stage }) => !NOT_ON.includes(stage)),
  text: "Put the meat on when the pit is in its band",
  head: "Put the meat on",
});

const STEPS = [probes, cook, testWake, fire, meat];

/** Null where the fire burns under a cook: then the pit speaks. */
export function stepsFace(snapshot) {
  const before = snapshot.pieces.length === 0 || snapshot.pit.stage === "unlit";
  const waiting = snapshot.pieces.every(({ stage }) => NOT_ON.includes(stage));
  if (!before || !waiting || ["cooling", "out"].includes(snapshot.pit.stage)) return null;
  const steps = STEPS.map((step) => step(snapshot));
  // a test wake is good advice, yet no reason to put off the fire
  const next =
    steps.find((step) => !step.done && step.head !== "Try a test wake") ?? steps.find(({ done }) => !done);
  if (!next) return null;
  return [
    make("p", { class: "do calm" }, `Next: ${next.head.charAt(0).toLowerCase()}${next.head.slice(1)}`),
    next.more ? make("p", {}, next.more) : null,
    next.link
      ? make(
          "div",
          { class: "buttons" },
          make("a", { class: "button main", href: next.link[0] }, next.link[1]),
        )
      : null,
    make(
      "ol",
      { class: "steps" },
      ...steps.map((step) =>
        make("li", {}, state(step.done ? "good" : step === next ? "medium" : "quiet", capital(step.text))),
      ),
    ),
  ];
}
