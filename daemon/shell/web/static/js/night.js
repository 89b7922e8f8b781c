// Going to bed: the green list, the nap that can be promised, the test wake; and the account in the morning.

import { across, bullets, button, buttonRow, make, muted, redraw, say, strong } from "./dom.js";
import { alarmsAway } from "./alarms.js";
import { alarmFigures } from "./tally.js";
import { ask, live, onNews, tell, toast } from "./live.js";
import { clock, state, when } from "./words.js";

const TEST = {
  never: ["bad", "not tried this evening"],
  sent: ["suspect", "sent, not yet delivered"],
  delivered: ["suspect", "delivered: did you hear it?"],
  acknowledged: ["good", "delivered and seen"],
};

/** Nobody is called asleep to whom no sleep was promised, or whose promise is over. */
function bedWord({ nap, sleep, time }) {
  if (!sleep.asleep) return sleep.night ? "quiet hours" : "awake";
  if (nap === null || nap.until === null) return "no promise";
  return (nap.latest ?? nap.until) < time ? "promise is over" : "asleep";
}

function napFace(snapshot) {
  const { nap, sleep } = snapshot;
  const lines = [];
  if (nap === null)
    lines.push(
      make(
        "p",
        {},
        "Press \u201cI am going to sleep\u201d: the watch then says how long you may, and what is missing.",
      ),
    );
  else if (nap.until === null)
    lines.push(make("p", { class: "do bad" }, `No sleep can be promised: ${nap.reason}.`));
  else
    lines.push(
      make("p", {}, "Sleep until"),
      make("p", { class: "big mid" }, clock(nap.until, snapshot)),
      make(
        "p",
        {},
        nap.latest === null
          ? nap.reason
          : `At the latest ${clock(nap.latest, snapshot)}. You will be woken earlier only if the fire falls faster. ${nap.reason}`,
      ),
    );
  if (nap !== null)
    lines.push(
      make(
        "ul",
        { class: "list", id: "green-list" },
        ...nap.unmet.map((text) => make("li", {}, state("bad", `${text}: not ready`))),
        ...nap.green.map((text) => make("li", {}, state("good", text))),
      ),
    );
  const [name, word] = TEST[sleep.test_wake] ?? ["suspect", sleep.test_wake];
  lines.push(make("p", {}, "Test wake: ", state(name, word)));
  if (["sent", "delivered"].includes(sleep.test_wake))
    lines.push(
      buttonRow(
        button("I heard the test wake", () =>
          tell("/api/acknowledge", { alarm: "test-wake" }, "Good: the test wake was heard."),
        ),
      ),
    );
  if (sleep.paused_until !== null)
    lines.push(
      make("p", { class: "suspect" }, `Repeats are paused until ${clock(sleep.paused_until, snapshot)}.`),
    );
  return [across(make("h2", {}, "May I sleep?"), strong(bedWord(snapshot))), ...lines];
}

/** One row an occurrence, however often it was said: its messages differ in what follows the last dot. */
function byOccurrence(wakes) {
  const groups = new Map();
  for (const wake of wakes) {
    const name = `${wake.held_back} ${wake.notification.replace(/\.\d+$/, "")}`;
    groups.set(name, [...(groups.get(name) ?? []), wake]);
  }
  return [...groups.values()].map((group) => group.sort((a, b) => a.time - b.time));
}

function wakeRow(group) {
  const [wake] = group;
  const last = group.at(-1);
  const judged = group.find(({ needed }) => needed !== null)?.needed ?? null;
  const judge = (needed, text) =>
    button(
      text,
      async () => {
        if (
          await tell(
            "/api/judge-wake",
            { notification: wake.notification, needed },
            "Thank you. The next night learns from it.",
          )
        )
          await showWakes();
      },
      { "aria-pressed": String(judged === needed) },
    );
  const times =
    group.length === 1 ? "" : `Said ${group.length} times, the last at ${clock(last.time, live.snapshot)}. `;
  const verdict = judged === null ? "Was it needed?" : judged ? "You said: needed." : "You said: not needed.";
  return make(
    "li",
    {},
    make("p", {}, `${when(wake.time, live.snapshot)} ${wake.text}`),
    muted(times + (wake.held_back ? "Held back so that you could sleep." : verdict)),
    wake.held_back
      ? null
      : make("div", { class: "buttons tight" }, judge(true, "Needed"), judge(false, "Not needed")),
  );
}

let wakesBox = null;
async function showWakes() {
  if (!wakesBox) return;
  try {
    const { wakes } = await ask("/api/wakes");
    wakesBox.replaceChildren(
      wakes.length ? bullets(...byOccurrence(wakes).map(wakeRow)) : muted("Nothing woke you."),
    );
  } catch (error) {
    wakesBox.replaceChildren(muted(error.message));
  }
}

onNews("refused", (news) => toast(`Not done: ${news.reason}`));
onNews("morning", (news) => {
  toast(`Good morning. Woken ${news.woke.length} times; ${news.held_back.length} held back.`);
  showWakes();
});

export function nightRoom(root) {
  const [face, away] = [make("div", { class: "stack" }), make("div", {})];
  const watcher = make("p", {});
  wakesBox = make("div", {});
  root.replaceChildren(
    make(
      "section",
      { class: "plate" },
      face,
      buttonRow(
        button("I am going to sleep", () => tell("/api/sleep", {}, "Asked. The list is being checked."), {
          class: "main",
        }),
        button("Send a test wake", () =>
          tell("/api/test-wake", {}, "A test wake is on its way to every channel."),
        ),
        button("Good morning", () => tell("/api/morning", {}, "Good morning.")),
      ),
    ),
    away,
    make("section", { class: "plate" }, make("h2", {}, "What woke you"), wakesBox),
    make(
      "section",
      { class: "plate", "aria-label": "Hand-over" },
      make("h2", {}, "Somebody else"),
      watcher,
      buttonRow(make("a", { class: "button", href: "#shift" }, "Hand over the watch")),
    ),
    alarmFigures(),
  );
  showWakes();
  const update = (snapshot) => {
    redraw(face, [snapshot.nap, snapshot.sleep, bedWord(snapshot)], () => napFace(snapshot));
    alarmsAway(away, snapshot);
    const { on_watch } = snapshot.shift;
    say(
      watcher,
      on_watch === null
        ? "Nobody is named as having the watch."
        : `${on_watch.name} has the watch since ${when(on_watch.since, snapshot)}.`,
    );
  };
  return { update, tick() {} };
}
