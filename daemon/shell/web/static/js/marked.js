// What was done and noticed, on the curve and in a list below it.

import { bullets, fold, make, muted } from "./dom.js";
import { clock, plain } from "./words.js";
import { t } from "./texts.js";

export const LETTERS = {
  "fire-lit": t("marked.lit"),
  "meat-on": "on",
  wrapped: t("marked.wrap"),
  "probed-tender": t("marked.tender"),
  serve: t("marked.served"),
};
/** So frequent that they are ticks at the foot of the curve. */
export const SMALL = new Set(["log", "log-added", "lid-open", "lid-opened", "lid-closed", "damper"]);

export function marksList(marks, snapshot) {
  if (marks.length === 0) return muted(t("marked.no-marks-in-this-span"));
  const meat = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  const line = ({ time, kind, piece }) =>
    `${clock(time, snapshot)} ${plain(kind)}${piece ? `, ${meat.get(piece) ?? piece}` : ""}`;
  return fold(t("marked.marks-in-this-span"), bullets(...marks.map((mark) => make("li", {}, line(mark)))));
}
