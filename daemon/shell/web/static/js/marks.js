// What the cook says was done: one press, one mark; and when it was done, for a mark that was forgotten.

import { button, make } from "./dom.js";
import { tell } from "./live.js";
import { namedPit } from "./pits.js";
import { t } from "./texts.js";

const AGO = [0, 5, 10, 15, 20, 30, 45, 60, 90, 120]; // minutes

/** A choice of when; its value is minutes ago. It falls back to "now" after each mark. */
export function whenDone(label = t("marks.done")) {
  const choice = make(
    "select",
    {},
    ...AGO.map((minutes) =>
      make(
        "option",
        { value: minutes },
        minutes === 0 ? t("marks.just-now") : t("marks.minutes-min-ago", { minutes }),
      ),
    ),
  );
  return { choice, node: make("label", {}, label, choice) };
}

export const mark = (kind, text, piece = null, attributes = {}, note = "", ago = null) =>
  button(
    text,
    async () => {
      const minutes = Number(ago?.value ?? 0);
      const order = {
        kind,
        ...(piece ? { piece } : namedPit()),
        ...(note ? { note } : {}),
        ...(minutes ? { minutes_ago: minutes } : {}),
      };
      const said = t("marks.marked", {
        text: text.toLowerCase(),
        ago: minutes ? t("marks.minutes-min-ago-2", { minutes }) : "",
      });
      if ((await tell("/api/mark", order, said)) && ago) ago.value = "0";
    },
    attributes,
  );
