// Alarms: one instruction each, "Seen" and "Pause sound". Acknowledging silences; it solves nothing.

import { button, find, keyed, make, redraw, say } from "./dom.js";
import { live, tell } from "./live.js";
import { clock, plain, shape, span } from "./words.js";

const NEW = new Set(["unacknowledged", "returned-unacknowledged", "latched-unacknowledged"]);
const AWAY = new Set(["shelved", "suppressed-by-design", "out-of-service"]);
const STATES = {
  unacknowledged: "New", acknowledged: "Seen, still so", "returned-unacknowledged": "Over, not yet seen",
  "latched-unacknowledged": "Happened, not yet seen", "latched-acknowledged": "Happened, seen",
};
export const isNew = (alarm) => NEW.has(alarm.state);

function shelving(alarm) {
  const reason = make("select", { "aria-label": "Reason" },
    ...["I am working on it", "Probe is out for a reason", "Known and harmless now"].map((text) => make("option", {}, text)));
  const shelve = (minutes) => button(`${minutes} min`, () => tell("/api/shelve",
    { alarm: alarm.key, seconds: minutes * 60, reason: reason.value }, `Away for ${minutes} min. It will come back by itself.`));
  return make("details", {}, make("summary", {}, "Put away for a while"), reason,
    make("div", { class: "buttons tight" }, shelve(15), shelve(60), shelve(120)));
}

function card(alarm) {
  const because = make("p", { class: "quiet" });
  const status = make("span", {});
  const seen = button("Seen", () => tell("/api/acknowledge", { alarm: alarm.key }, "Seen. It stays here until it is over."), { class: "main" });
  const pause = button("Pause 15 min", () => tell("/api/pause", { seconds: 900 }, "Sound is paused for 15 min. Anything new still sounds."));
  const actions = make("div", { class: "buttons" }, seen, pause);
  // What happened once stays until somebody says that it was put right: the second acknowledgement.
  const put_right = make("div", { class: "buttons" }, button("It is put right", () => tell("/api/acknowledge", { alarm: alarm.key }, "Good. It is off the list.")));
  const node = make("article", { class: "alarm" },
    make("p", { class: "state" }, shape(alarm.priority), status),
    make("p", { class: "do" }, alarm.text), because, actions, put_right, shelving(alarm));
  const update = (now) => {
    node.className = `alarm ${now.priority} ${isNew(now) ? "new" : ""}`;
    const kind = now.prompt ? "call" : "alarm";
    say(status, `${STATES[now.state] ?? plain(now.state)} · ${now.priority} ${kind} · ${clock(now.raised_at, live.snapshot)}`);
    const left = now.consequence_in === null ? "" : ` About ${span(now.consequence_in)} left.`;
    say(because, now.because + left);
    actions.hidden = !isNew(now);
    put_right.hidden = now.state !== "latched-acknowledged";
  };
  return { node, update };
}

export function showAlarms(snapshot) {
  const here = snapshot.alarms.filter((alarm) => !AWAY.has(alarm.state));
  keyed(find("alarms"), here, (alarm) => `${alarm.key}#${alarm.occurrence}#${alarm.text}`, card);
}

export const alarmsAway = (parent, snapshot) => {
  const away = snapshot.alarms.filter((alarm) => AWAY.has(alarm.state));
  redraw(parent, away, () => away.length === 0 ? [] : [make("div", { class: "plate" }, make("h2", {}, "Put away"),
    make("ul", { class: "list" }, ...away.map((alarm) => make("li", {},
      make("p", {}, `${alarm.text} · ${plain(alarm.state)}${alarm.shelved_until === null ? "" : ` until ${clock(alarm.shelved_until, snapshot)}`}`),
      make("p", { class: "quiet" }, alarm.shelved_reason),
      alarm.state === "shelved" ? button("Bring back", () => tell("/api/unshelve", { alarm: alarm.key }, "It is back.")) : null))))]);
};
