// Going to bed: the green list, the nap that can be promised, the test wake; and the account in the morning.

import { across, bullets, button, buttonRow, make, muted, redraw, say, strong } from "./dom.js";
import { alarmsAway } from "./alarms.js";
import { alarmFigures } from "./tally.js";
import { ask, live, onNews, tell, toast } from "./live.js";
import { clock, state, when } from "./words.js";
import { t } from "./texts.js";

const TEST = {
  never: ["bad", t("night.not-tried-this-evening")],
  sent: ["suspect", t("night.sent-not-yet-delivered")],
  delivered: ["suspect", t("night.delivered-did-you-hear")],
  acknowledged: ["good", t("night.delivered-and-seen")],
};

/** Nobody is called asleep to whom no sleep was promised, or whose promise is over. */
function bedWord({ nap, sleep, time }) {
  if (!sleep.asleep) return sleep.night ? t("night.quiet-hours") : t("night.awake");
  if (nap === null || nap.until === null) return t("night.no-promise");
  return (nap.latest ?? nap.until) < time ? t("night.promise-is-over") : t("night.asleep");
}

/** What the answer would be: promised to nobody until somebody says that he goes to sleep. */
function couldFace(could, snapshot) {
  const press = make("p", {}, t("night.press-i-am-going-to"));
  if (could === null) return [press];
  const missing = make(
    "ul",
    { class: "list", id: "missing" },
    ...could.unmet.map((text) => make("li", {}, state("suspect", text))),
  );
  return [
    ...(could.until === null
      ? [make("p", { class: "do" }, t("night.no-sleep-could-be-promised", { reason: could.reason }))]
      : [
          make("p", {}, t("night.you-could-sleep-until")),
          make("p", { class: "big mid" }, clock(could.until, snapshot)),
          make("p", {}, t("night.at-the-latest", { latest: clock(could.latest ?? could.until, snapshot) })),
        ]),
    could.unmet.length > 0 ? missing : null,
    press,
  ].filter(Boolean);
}

function napFace(snapshot) {
  const { nap, sleep, could_sleep } = snapshot;
  const lines = [];
  if (nap === null) lines.push(...couldFace(could_sleep, snapshot));
  else if (nap.until === null)
    lines.push(make("p", { class: "do bad" }, t("night.no-sleep-can-be-promised", { reason: nap.reason })));
  else
    lines.push(
      make("p", {}, t("night.sleep-until")),
      make("p", { class: "big mid" }, clock(nap.until, snapshot)),
      make(
        "p",
        {},
        nap.latest === null
          ? nap.reason
          : t("night.at-the-latest-you-will", {
              latest: clock(nap.latest, snapshot),
              until: clock(nap.until, snapshot),
              reason: nap.reason,
            }),
      ),
    );
  if (nap !== null)
    lines.push(
      make(
        "ul",
        { class: "list", id: "green-list" },
        ...nap.unmet.map((text) => make("li", {}, state("bad", text))),
        ...nap.green.map((text) => make("li", {}, state("good", text))),
      ),
    );
  const [name, word] = TEST[sleep.test_wake] ?? ["suspect", sleep.test_wake];
  lines.push(make("p", {}, t("night.test-wake"), state(name, word)));
  if (["sent", "delivered"].includes(sleep.test_wake))
    lines.push(
      buttonRow(
        button(t("night.i-heard-the-test-wake"), () =>
          tell("/api/acknowledge", { alarm: "test-wake" }, t("night.good-the-test-wake-was")),
        ),
      ),
    );
  if (sleep.paused_until !== null)
    lines.push(
      make(
        "p",
        { class: "suspect" },
        t("night.repeats-are-paused-until", { paused_until: clock(sleep.paused_until, snapshot) }),
      ),
    );
  return [across(make("h2", {}, t("night.may-i-sleep")), strong(bedWord(snapshot))), ...lines];
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
            t("night.thank-you-the-next-night"),
          )
        )
          await showWakes();
      },
      { "aria-pressed": String(judged === needed) },
    );
  const times =
    group.length === 1
      ? ""
      : t("night.said-times-the-last-at", { group: group.length, time: clock(last.time, live.snapshot) });
  const verdict =
    judged === null
      ? t("night.was-it-needed")
      : judged
        ? t("night.you-said-needed")
        : t("night.you-said-not-needed");
  return make(
    "li",
    {},
    make("p", {}, `${when(wake.time, live.snapshot)} ${wake.text}`),
    muted(times + (wake.held_back ? t("night.held-back-so-that-you") : verdict)),
    wake.held_back
      ? null
      : make(
          "div",
          { class: "buttons tight" },
          judge(true, t("night.needed")),
          judge(false, t("night.not-needed")),
        ),
  );
}

let wakesBox = null;
async function showWakes() {
  if (!wakesBox) return;
  try {
    const { wakes } = await ask("/api/wakes");
    wakesBox.replaceChildren(
      wakes.length ? bullets(...byOccurrence(wakes).map(wakeRow)) : muted(t("night.nothing-woke-you")),
    );
  } catch (error) {
    wakesBox.replaceChildren(muted(error.message));
  }
}

onNews("refused", (news) => toast(t("night.not-done-reason", { reason: news.reason })));
onNews("morning", (news) => {
  toast(t("night.good-morning-woken-times", { woke: news.woke.length, held_back: news.held_back.length }));
  showWakes();
});

export function nightRoom(root) {
  const [face, away] = [make("div", { class: "stack" }), make("div", {})];
  const watcher = make("p", {});
  wakesBox = make("div", {});
  root.className = "halves";
  const sleeping = make(
    "section",
    { class: "plate" },
    face,
    buttonRow(
      button(
        t("night.i-am-going-to-sleep"),
        () => tell("/api/sleep", {}, t("night.asked-the-list-is-being")),
        {
          class: "main",
        },
      ),
      button(t("night.send-a-test-wake"), () => tell("/api/test-wake", {}, t("night.a-test-wake-is-on-its"))),
      button(t("night.good-morning"), () => tell("/api/morning", {}, t("night.good-morning-2"))),
    ),
  );
  const handing = make(
    "section",
    { class: "plate", "aria-label": t("night.hand-over") },
    make("h2", {}, t("night.somebody-else")),
    watcher,
    buttonRow(make("a", { class: "button", href: "#shift" }, t("night.hand-over-the-watch"))),
  );
  const woke = make("section", { class: "plate" }, make("h2", {}, t("night.what-woke-you")), wakesBox);
  root.replaceChildren(make("div", {}, sleeping, away, woke), make("div", {}, handing, alarmFigures()));
  showWakes();
  const update = (snapshot) => {
    redraw(face, null, () => napFace(snapshot));
    alarmsAway(away, snapshot);
    const { on_watch } = snapshot.shift;
    say(
      watcher,
      on_watch === null
        ? t("night.nobody-is-named-as")
        : t("night.has-the-watch-since", { name: on_watch.name, since: when(on_watch.since, snapshot) }),
    );
  };
  return { update, tick() {} };
}
