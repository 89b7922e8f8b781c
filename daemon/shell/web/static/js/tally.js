// How the alarms did, by the names of ISA-18.2 and OPC UA Part 9: of a night, a cook, or all cooks as a season.

import { across, button, fold, make, muted } from "./dom.js";
import { ask } from "./live.js";
import { capital, plain, span } from "./words.js";
import { alarmTitle, t } from "./texts.js";

const SPANS = [
  ["night", t("tally.night")],
  ["cook", t("tally.cook")],
  ["season", t("tally.season")],
];
const named = (key) => {
  const [rule, subject] = key.split("/");
  return capital(alarmTitle(rule)) + (subject && subject !== "pit" ? `, ${plain(subject)}` : "");
};
const longest = (one) => (one === null ? t("tally.none") : `${span(one.seconds)} (${named(one.alarm)})`);
const list = (keys) => (keys.length ? keys.map(named).join(", ") : t("tally.none"));

function answers(found) {
  if (found.answers === 0) return found.alarm_count ? t("tally.none-was-answered") : t("tally.none");
  return t("tally.middle-longest-of", {
    answer_median: span(found.answer_median),
    answer_longest: span(found.answer_longest),
    answers: found.answers,
  });
}

/** [name, value] in the order in which one would ask. */
const rows = (found) => [
  [
    t("tally.alarms"),
    t("tally.of-them-expected-calls", { alarm_count: found.alarm_count, prompt_count: found.prompt_count }),
  ],
  [
    t("tally.alarm-rate-in-10-min"),
    t("tally.mean-highest", {
      average_rate: found.average_rate.toFixed(2),
      maximum_rate: found.maximum_rate,
    }),
  ],
  [t("tally.from-call-to-answer"), answers(found)],
  [t("tally.longest-unacknowledged"), longest(found.maximum_unacknowledged)],
  [t("tally.longest-standing"), longest(found.maximum_active)],
  [
    t("tally.judged-needed"),
    found.judged
      ? t("tally.needed-of-judged", {
          needed: found.needed,
          judged: found.judged,
          share: Math.round((100 * found.needed) / found.judged),
        })
      : t("tally.none-was-judged"),
  ],
  [t("tally.chattering"), list(found.chattering)],
  [t("tally.stale"), list(found.stale)],
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
          t("tally.most-frequent", { top: found.top.length }),
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
    muted(t("tally.over-of-cooking", { seconds: span(found.seconds) })),
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
      body.replaceChildren(...(found.seconds > 0 ? face(found) : [muted(t("tally.nothing-is-kept-of-it"))]));
    } catch (error) {
      body.replaceChildren(muted(error.message));
    }
  };
  show("night");
  return make(
    "section",
    { class: "plate", "aria-label": t("tally.alarm-figures") },
    make("h2", {}, t("tally.how-the-alarms-did")),
    which,
    body,
  );
}
