// The alarms: one card for one cause, worst first. The first is large, the others are a count that opens; what is over is small.
// Acknowledging silences; it solves nothing.

import { bullets, button, buttonRow, find, keyed, make, muted, redraw, say } from "./dom.js";
import { live, tell } from "./live.js";
import { clock, plain, shape, span } from "./words.js";
import { t } from "./texts.js";

const NEW = new Set(["unacknowledged", "latched-unacknowledged"]);
const OVER = "returned-unacknowledged";
const AWAY = new Set(["shelved", "suppressed-by-design", "out-of-service"]);
const RANK = { high: 0, medium: 1, low: 2 };
/** Rules that speak of one cause, what asks for the act first; the others say no more than why. */
const CAUSES = [
  ["fire-out", "log-not-caught", "pit-falling", "feed-due"],
  ["runaway", "pit-high"],
  ["hold-unsafe", "hold-falling", "meat-cooling"],
  ["past-tender", "tender-range"],
  ["device-lost", "pit-blind", "pit-probe-lost", "meat-probe-lost"],
];
const LONG = 36; // letters of a text that are set smaller, so that the pit stays on the first screen
const TIMED = /\d (min|h)\b/;
const LOST = 4; // a device that is lost takes every probe of it along, so that cause has no subject

export const isNew = (alarm) => NEW.has(alarm.state) || alarm.state === OVER;
export const isAway = (alarm) => AWAY.has(alarm.state);

function causeOf({ key, rule, subject }, rules) {
  const index = CAUSES.findIndex((cause) => cause.includes(rule));
  if (index < 0) return key;
  return index === LOST && rules.has("device-lost") ? "lost" : `${index}/${subject}`;
}

/** What is lost stays on top after it was seen: a lesser new alarm is counted below it. */
const worst = (a, b) =>
  (a.state === OVER) - (b.state === OVER) ||
  RANK[a.priority] - RANK[b.priority] ||
  NEW.has(b.state) - NEW.has(a.state) ||
  a.raised_at - b.raised_at;

/** Something stands large on the first screen. */
export const stands = ({ alarms }) => alarms.some((alarm) => !isAway(alarm) && alarm.state !== OVER);

/** One group a cause, worst first. leader: the alarm that names the act; rest: the others of that cause. */
export function causes(snapshot) {
  const here = snapshot.alarms.filter((alarm) => !isAway(alarm));
  const standing = new Set(here.filter(({ state }) => state !== OVER).map(({ rule }) => rule));
  const groups = new Map();
  for (const alarm of here) {
    const cause = `${alarm.state === OVER ? "over " : ""}${causeOf(alarm, standing)}`;
    groups.set(cause, [...(groups.get(cause) ?? []), alarm]);
  }
  const place = ({ rule }) => CAUSES.find((cause) => cause.includes(rule))?.indexOf(rule) ?? 0;
  return [...groups]
    .map(([cause, members]) => {
      const [leader, ...rest] = members.sort((a, b) => place(a) - place(b) || worst(a, b));
      return { cause, leader, rest, members };
    })
    .sort((a, b) => worst(a.members.find(isNew) ?? a.leader, b.members.find(isNew) ?? b.leader));
}

function shelving(alarm) {
  const reason = make(
    "select",
    { "aria-label": t("alarms.reason") },
    ...[
      t("alarms.i-am-working-on-it"),
      t("alarms.probe-is-out-for-a"),
      t("alarms.known-and-harmless-now"),
    ].map((text) => make("option", {}, text)),
  );
  const shelve = (minutes) =>
    button(t("alarms.minutes-min", { minutes }), () =>
      tell(
        "/api/shelve",
        { alarm: alarm.key, seconds: minutes * 60, reason: reason.value },
        t("alarms.away-for-min-it-will", { minutes }),
      ),
    );
  return [
    make("p", {}, t("alarms.put-away-for-a-while")),
    reason,
    make("div", { class: "buttons tight" }, shelve(15), shelve(60), shelve(120)),
  ];
}

const acknowledge = (alarm, done) => tell("/api/acknowledge", { alarm }, done);

function card(first) {
  const { leader: alarm } = first;
  let group = first;
  const [because, status, others] = [
    make("p", { class: "quiet why" }),
    make("span", {}),
    make("p", { class: "quiet" }),
  ];
  const see = async () => {
    for (const { key } of group.members.filter(isNew))
      await acknowledge(key, t("alarms.seen-it-stays-here-until"));
  };
  const seen = button(t("alarms.seen"), see, { class: "main" });
  const pause = button(t("alarms.pause-15-min"), () =>
    tell("/api/pause", { seconds: 900 }, t("alarms.sound-is-paused-for-15")),
  );
  const later = make(
    "details",
    { class: "later" },
    make("summary", {}, t("alarms.not-now")),
    buttonRow(pause),
    ...shelving(alarm),
  );
  const actions = make("div", { class: "answers" }, seen, later);
  // What happened once stays until somebody says that it was put right: the second acknowledgement.
  const put_right = buttonRow(
    button(t("alarms.it-is-put-right"), () => acknowledge(alarm.key, t("alarms.good-it-is-off-the-list"))),
  );
  const node = make(
    "article",
    { class: "alarm" },
    make("p", { class: "state" }, shape(alarm.priority), status),
    make("p", { class: alarm.text.length > LONG ? "do long" : "do" }, alarm.text),
    because,
    others,
    actions,
    put_right,
  );
  const update = (now) => {
    group = now;
    const { leader, rest, members } = now;
    const fresh = members.some(isNew);
    const over = leader.state === OVER;
    node.className = `alarm ${leader.priority} ${fresh ? "new" : ""} ${over ? "over" : ""}`;
    node.dataset.alarms = members.map(({ key }) => key).join(" "); // what it says changes with what is seen; this does not
    const kind = leader.prompt ? t("alarms.call") : t("alarms.alarm");
    say(
      status,
      `${leader.stands_as} · ${plain(leader.priority)} ${kind} · ${clock(leader.raised_at, live.snapshot)}`,
    );
    const timed =
      leader.consequence_in === null || [leader.because, leader.text].some((words) => TIMED.test(words)); // said already
    say(
      because,
      leader.because + (timed ? "" : t("alarms.about-left", { consequence_in: span(leader.consequence_in) })),
    );
    const also = rest
      .map(({ text }) => text)
      .filter((text) => !members.some((one) => one.text !== text && one.text.startsWith(text)));
    say(others, t("alarms.also-text", { text: also.join("; ") }));
    others.hidden = also.length === 0;
    put_right.hidden = leader.state !== "latched-acknowledged";
    seen.hidden = !fresh;
    later.hidden = over;
    actions.hidden = !put_right.hidden && !fresh;
  };
  return { node, update };
}

const keyOf = ({ cause, leader }) => `${cause} ${leader.key}#${leader.occurrence}#${leader.text}`;
const counted = (number, key) => (number === 0 ? "" : t(key, { number }));

/** Shows them all. Gives the one that stands large, or undefined. */
export function showAlarms(snapshot) {
  const shown = causes(snapshot);
  const [first, ...others] = stands(snapshot) ? shown : [undefined, ...shown];
  keyed(find("alarms"), first ? [first] : [], keyOf, card);
  keyed(find("other-alarms"), others, keyOf, card);
  const over = others.filter(({ leader }) => leader.state === OVER).length;
  const fresh = others.filter(({ leader, members }) => leader.state !== OVER && members.some(isNew)).length;
  const words = [
    counted(others.length - over, "alarms.more") + (fresh ? t("alarms.fresh-new", { fresh }) : ""),
    counted(over, first ? "alarms.over" : "alarms.over-not-seen"),
  ];
  find("more").hidden = others.length === 0;
  say(find("more-words"), words.filter(Boolean).join(", "));
  find("all-seen").hidden = shown.filter(({ members }) => members.some(isNew)).length < 2;
  return first?.leader;
}

export function prepareAlarms() {
  find("all-seen").addEventListener("click", () => acknowledge("*", t("alarms.all-seen-what-still")));
}

export const alarmsAway = (parent, snapshot) => {
  const away = snapshot.alarms.filter(isAway);
  const word = (alarm) =>
    alarm.state === "suppressed-by-design"
      ? t("alarms.not-sounding", { reasons: alarm.suppressed_by.map(plain).join(", ") })
      : plain(alarm.state);
  redraw(
    parent,
    away.map(({ key }) => key),
    () =>
      away.length === 0
        ? []
        : [
            make(
              "div",
              { class: "plate" },
              make("h2", {}, t("alarms.put-away")),
              bullets(
                ...away.map((alarm) =>
                  make(
                    "li",
                    {},
                    make(
                      "p",
                      {},
                      `${alarm.text} · ${word(alarm)}${alarm.shelved_until === null ? "" : t("alarms.until-shelved-until", { shelved_until: clock(alarm.shelved_until, snapshot) })}`,
                    ),
                    muted(alarm.shelved_reason),
                    alarm.state === "shelved"
                      ? button(t("alarms.bring-back"), () =>
                          tell("/api/unshelve", { alarm: alarm.key }, t("alarms.it-is-back")),
                        )
                      : null,
                  ),
                ),
              ),
            ),
          ],
  );
};
