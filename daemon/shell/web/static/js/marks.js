// What the cook says was done: one press, one mark.

import { button } from "./dom.js";
import { tell } from "./live.js";

export const mark = (kind, text, piece = null, attributes = {}, note = "") =>
  button(
    text,
    () =>
      tell(
        "/api/mark",
        { kind, ...(piece ? { piece } : {}), ...(note ? { note } : {}) },
        `Marked: ${text.toLowerCase()}.`,
      ),
    attributes,
  );
