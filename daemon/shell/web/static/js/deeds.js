// After a safety alarm: what was done with the piece? Asked until it is answered, and kept in its record.

import { button, make, muted, redraw } from "./dom.js";
import { tell } from "./live.js";
import { capital, clock, plain } from "./words.js";

const ANSWERS = [
  ["reheated", "Reheated"],
  ["chilled", "Chilled"],
  ["served", "Served"],
  ["thrown-away", "Thrown away"],
  ["in-order", "Checked, it was in order"],
];
const ALSO = { chilled: "chill", served: "serve" }; // the mark that says the same of the piece
const ALARMS = {
  "hold-unsafe": "was below its holding floor",
  "hold-falling": "was about to fall below its holding floor",
  "cooling-slow": "cooled too slowly",
  "meat-cooling": "cooled off the fire",
};

async function said(piece, deed, text) {
  if (!(await tell("/api/safety-deed", { piece: piece.id, deed }, `Kept: ${text.toLowerCase()}.`))) return;
  if (ALSO[deed])
    await tell("/api/mark", { kind: ALSO[deed], piece: piece.id }, `Marked: ${text.toLowerCase()}.`);
}

const WIDE = matchMedia("(min-width: 700px)");

/** Folded on a phone, where the pit must stay on the first screen. */
const question = (piece, asked, snapshot) =>
  make(
    "details",
    { class: "plate small asks", open: WIDE.matches, "aria-label": `What was done with ${piece.name}` },
    make("summary", {}, `What was done with the ${piece.name.toLowerCase()}?`),
    muted(
      `It ${ALARMS[asked.alarm.split("/")[0]] ?? plain(asked.alarm.split("/")[0])} at ${clock(asked.since, snapshot)}. The answer stays in its food-safety record.`,
    ),
    make(
      "div",
      { class: "buttons tight" },
      ...ANSWERS.map(([deed, text]) => button(text, () => said(piece, deed, text))),
    ),
  );

export function deedsAsked(parent, snapshot) {
  const meat = new Map(snapshot.pieces.map((piece) => [piece.id, piece]));
  const open = snapshot.shift.asked.filter(({ piece }) => meat.has(piece));
  redraw(parent, [open, [...meat.keys()]], () =>
    open.map((asked) => question(meat.get(asked.piece), asked, snapshot)),
  );
}

/** What was answered about one piece, as lines. */
export const deedsOf = (piece, snapshot) =>
  snapshot.shift.deeds
    .filter((deed) => deed.piece === piece.id)
    .map(({ deed, at, note }) => `${clock(at, snapshot)} ${capital(plain(deed))}${note ? `: ${note}` : ""}.`);
