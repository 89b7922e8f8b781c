// What the cook says was done: one press, one mark.

import { button } from "./dom.js";
import { tell } from "./live.js";

export const mark = (kind, text, piece = null, attributes = {}) =>
  button(text, () => tell("/api/mark", piece ? { kind, piece } : { kind }, `Marked: ${text.toLowerCase()}.`), attributes);
