// The cook's own reminders: what is due, done, taken away, and a new one.

import { across, bullets, button, buttonRow, fold, make, muted, redraw, strong, choices } from "./dom.js";
import { live, tell } from "./live.js";
import { span, state, when } from "./words.js";
import { t } from "./texts.js";

const STAGES = [
  ["lit", t("reminders.the-fire-is-lit")],
  ["in-band", t("reminders.the-pit-is-in-its-band")],
  ["on", t("reminders.it-is-on")],
  ["stall", t("reminders.it-stalls")],
  ["wrapped", t("reminders.it-is-wrapped")],
  ["tender", t("reminders.it-is-tender")],
  ["off", t("reminders.it-is-off")],
  ["hold", t("reminders.it-is-in-the-hold")],
];
const words = new Map(STAGES);

function row(reminder, snapshot) {
  const names = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  const how = [
    reminder.every === null
      ? t("reminders.once")
      : t("reminders.every-every", { every: span(reminder.every) }),
    reminder.start === null ? "" : t("reminders.after", { what: words.get(reminder.start) }),
    reminder.until === null ? "" : t("reminders.until-what", { what: words.get(reminder.until) }),
    reminder.piece === null ? "" : (names.get(reminder.piece) ?? reminder.piece),
    reminder.at_night ? t("reminders.at-night-too") : "",
  ];
  const due = reminder.is_due
    ? state("suspect", t("reminders.due-now"))
    : make(
        "span",
        { class: "num" },
        reminder.due === null ? t("reminders.not-yet") : when(reminder.due, snapshot),
      );
  return make(
    "li",
    {},
    across(strong(reminder.text), due),
    muted(how.filter(Boolean).join(", ")),
    make(
      "div",
      { class: "buttons tight" },
      button(t("reminders.done"), () =>
        tell(
          "/api/reminder-done",
          { reminder: reminder.id },
          t("reminders.done-text", { text: reminder.text }),
        ),
      ),
      button(t("reminders.remove"), () =>
        tell(
          "/api/remove-reminder",
          { reminder: reminder.id },
          t("reminders.removed-text", { text: reminder.text }),
        ),
      ),
    ),
  );
}

function adding() {
  const text = make("input", { required: true, maxlength: 40 });
  const every = make("input", { type: "number", inputmode: "numeric", min: "5", max: "1440" });
  const after = make("select", {}, ...choices(STAGES));
  after.value = "on";
  const until = make("select", {}, ...choices([["", t("reminders.the-cook-is-over")], ...STAGES]));
  const piece = make("select", {});
  const night = make("input", { type: "checkbox" });
  const send = async (event) => {
    event.preventDefault();
    const reminder = {
      text: text.value.trim(),
      after: after.value,
      at_night: night.checked,
      ...(every.value ? { every_minutes: Number(every.value) } : {}),
      ...(until.value ? { until: until.value } : {}),
      ...(piece.value ? { piece: piece.value } : {}),
    };
    if (
      await tell(
        "/api/add-reminder",
        { reminder },
        t("reminders.it-will-remind-you", { text: reminder.text }),
      )
    )
      text.value = "";
  };
  const node = fold(
    t("reminders.a-new-reminder"),
    make(
      "form",
      { class: "stack", onsubmit: send },
      make(
        "div",
        { class: "fields" },
        make("label", { class: "wide" }, t("reminders.what-to-do"), text),
        make("label", {}, t("reminders.every-min-empty-once"), every),
        make("label", {}, t("reminders.piece"), piece),
        make("label", {}, t("reminders.counted-after"), after),
        make("label", {}, t("reminders.until"), until),
      ),
      make("label", { class: "check" }, night, make("span", {}, t("reminders.it-may-wake-me-at-night"))),
      buttonRow(make("button", { class: "main" }, t("reminders.remind-me"))),
    ),
  );
  const update = ({ pieces }) =>
    redraw(piece, live.snapshot.cook_id, () =>
      choices([["", t("reminders.whichever-comes-first")], ...pieces.map(({ id, name }) => [id, name])]),
    );
  return { node, update };
}

export function reminders() {
  const list = make("div", {});
  const fresh = adding();
  const node = make(
    "section",
    { class: "plate", "aria-label": t("reminders.reminders") },
    make("h2", {}, t("reminders.reminders")),
    list,
    fresh.node,
  );
  const update = (snapshot) => {
    node.hidden = snapshot.pieces.length === 0;
    redraw(
      list,
      snapshot.reminders.map(({ id }) => id),
      () =>
        snapshot.reminders.length
          ? bullets(...snapshot.reminders.map((reminder) => row(reminder, snapshot)))
          : muted(t("reminders.none-spritz-turn-refill")),
    );
    fresh.update(snapshot);
  };
  return { node, update };
}
