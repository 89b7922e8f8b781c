// How the alarms did, by the names of ISA-18.2 and OPC UA Part 9: of a night, a cook, or all cooks as a season.

import { across, button, fold, make, muted } from "./dom.js";
import { ask } from "./live.js";
import { capital, plain, span } from "./words.js";

const SPANS = [
  ["night", "Night"],
  ["cook", "Cook"],
  ["season", "Season"],
];
const named = (key) => {
  const [rule, subject] = key.split("/");
  return capital(plain(rule)) + (subject && subject !== "pit" ? `, ${plain(subject)}` : "");
};
const longest = (one) => (one === null ? "none" : `${span(one.seconds)} (${named(one.alarm)})`);
const list = (keys) => (keys.length ? keys.map(named).join(", ") : "none");

function answers(found) {
  if (found.answers === 0) return found.alarm_count ? "none was answered" : "none";
  return `middle ${span(found.answer_median)}, longest ${span(found.answer_longest)}, of ${found.answers}`;
}

/** [name, value] in the order in which one would ask. */
const rows = (found) => [
  ["Alarms", `${found.alarm_count}, of them ${found.prompt_count} expected calls for action`],
  ["Alarm rate, in 10 min", `mean ${found.average_rate.toFixed(2)}, highest ${found.maximum_rate}`],
  ["From call to answer", answers(found)],
  ["Longest unacknowledged", longest(found.maximum_unacknowledged)],
  ["Longest standing", longest(found.maximum_active)],
  [
    "Judged needed",
    found.judged
      ? `${found.needed} of ${found.judged} (${Math.round((100 * found.needed) / found.judged)} %)`
      : "none was judged",
  ],
  ["Chattering", list(found.chattering)],
  ["Stale", list(found.stale)],
];

function face(found) {
  const line = ([name, value]) => make("tr", {}, make("th", { scope: "row" }, name), make("td", {}, value));
  const most = Math.max(1, ...found.top.map(([, times]) => times));
  const bar = (times) => {
    const meter = make("i", {});
    meter.style.width = `${Math.round((100 * times) / most)}%`;
    return make("div", { class: "meter", "aria-hidden": "true" }, meter);
  };
  return [
    make("table", { class: "figures" }, make("tbody", {}, ...rows(found).map(line))),
    found.top.length
      ? fold(
          `Most frequent (${found.top.length})`,
          make(
            "ol",
            { class: "remedies" },
            ...found.top.map(([key, times]) =>
              make(
                "li",
                { class: "remedy" },
                across(make("span", {}, named(key)), make("span", { class: "num" }, String(times))),
                bar(times),
              ),
            ),
          ),
        )
      : "",
    muted(`Over ${span(found.seconds)} of cooking.`),
  ].filter(Boolean);
}

export function alarmFigures() {
  const [which, body] = [make("div", { class: "buttons tight" }), make("div", { class: "stack" })];
  const show = async (of) => {
    which.replaceChildren(
      ...SPANS.map(([value, text]) =>
        button(text, () => show(value), { "aria-pressed": String(value === of) }),
      ),
    );
    try {
      const found = await ask(`/api/alarm-figures?of=${of}`);
      body.replaceChildren(...(found.seconds > 0 ? face(found) : [muted("Nothing is kept of it yet.")]));
    } catch (error) {
      body.replaceChildren(muted(error.message));
    }
  };
  show("night");
  return make(
    "section",
    { class: "plate", "aria-label": "Alarm figures" },
    make("h2", {}, "How the alarms did"),
    which,
    body,
  );
}
