// The cook's own reminders: what is due, done, taken away, and a new one.

import { across, bullets, button, buttonRow, fold, make, muted, redraw, strong, choices } from "./dom.js";
import { live, tell } from "./live.js";
import { span, state, when } from "./words.js";

const STAGES = [
  ["lit", "the fire is lit"],
  ["in-band", "the pit is in its band"],
  ["on", "it is on"],
  ["stall", "it stalls"],
  ["wrapped", "it is wrapped"],
  ["tender", "it is tender"],
  ["off", "it is off"],
  ["hold", "it is in the hold"],
];
const words = new Map(STAGES);

function row(reminder, snapshot) {
  const names = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  const how = [
    reminder.every === null ? "once" : `every ${span(reminder.every)}`,
    reminder.start === null ? "" : `after ${words.get(reminder.start)}`,
    reminder.until === null ? "" : `until ${words.get(reminder.until)}`,
    reminder.piece === null ? "" : (names.get(reminder.piece) ?? reminder.piece),
    reminder.at_night ? "at night too" : "",
  ];
  const due = reminder.is_due
    ? state("suspect", "due now")
    : make("span", { class: "num" }, reminder.due === null ? "not yet" : when(reminder.due, snapshot));
  return make(
    "li",
    {},
    across(strong(reminder.text), due),
    muted(how.filter(Boolean).join(", ")),
    make(
      "div",
      { class: "buttons tight" },
      button("Done", () => tell("/api/reminder-done", { reminder: reminder.id }, `Done: ${reminder.text}.`)),
      button("Remove", () =>
        tell("/api/remove-reminder", { reminder: reminder.id }, `Removed: ${reminder.text}.`),
      ),
    ),
  );
}

function adding() {
  const text = make("input", { required: true, maxlength: 40 });
  const every = make("input", { type: "number", inputmode: "numeric", min: "5", max: "1440" });
  const after = make("select", {}, ...choices(STAGES));
  after.value = "on";
  const until = make("select", {}, ...choices([["", "the cook is over"], ...STAGES]));
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
    if (await tell("/api/add-reminder", { reminder }, `It will remind you: ${reminder.text}.`))
      text.value = "";
  };
  const node = fold(
    "A new reminder",
    make(
      "form",
      { class: "stack", onsubmit: send },
      make(
        "div",
        { class: "fields" },
        make("label", { class: "wide" }, "What to do", text),
        make("label", {}, "Every, min (empty: once)", every),
        make("label", {}, "Piece", piece),
        make("label", {}, "Counted after", after),
        make("label", {}, "Until", until),
      ),
      make("label", { class: "check" }, night, make("span", {}, "It may wake me at night")),
      buttonRow(make("button", { class: "main" }, "Remind me")),
    ),
  );
  const update = ({ pieces }) =>
    redraw(piece, [pieces.map(({ id }) => id), live.snapshot.cook_id], () =>
      choices([["", "whichever comes first"], ...pieces.map(({ id, name }) => [id, name])]),
    );
  return { node, update };
}

export function reminders() {
  const list = make("div", {});
  const fresh = adding();
  const node = make(
    "section",
    { class: "plate", "aria-label": "Reminders" },
    make("h2", {}, "Reminders"),
    list,
    fresh.node,
  );
  const update = (snapshot) => {
    node.hidden = snapshot.pieces.length === 0;
    redraw(list, [snapshot.reminders, Math.floor(snapshot.time / 60)], () =>
      snapshot.reminders.length
        ? bullets(...snapshot.reminders.map((reminder) => row(reminder, snapshot)))
        : muted("None: spritz, turn, refill the water pan."),
    );
    fresh.update(snapshot);
  };
  return { node, update };
}
