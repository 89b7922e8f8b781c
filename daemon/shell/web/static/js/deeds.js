// After a safety alarm: what was done with the piece? Asked until it is answered, and kept in its record.

import { button, make, muted, redraw } from "./dom.js";
import { tell } from "./live.js";
import { capital, clock, plain } from "./words.js";
import { t } from "./texts.js";

const ANSWERS = [
  ["reheated", t("deeds.reheated")],
  ["chilled", t("deeds.chilled")],
  ["served", t("deeds.served")],
  ["thrown-away", t("deeds.thrown-away")],
  ["in-order", t("deeds.checked-it-was-in-order")],
];
const ALSO = { chilled: "chill", served: "serve" }; // the mark that says the same of the piece
const ALARMS = {
  "hold-unsafe": t("deeds.was-below-its-holding"),
  "hold-falling": t("deeds.was-about-to-fall-below"),
  "cooling-slow": t("deeds.cooled-too-slowly"),
  "meat-cooling": t("deeds.cooled-off-the-fire"),
};

async function said(piece, deed, text) {
  if (
    !(await tell(
      "/api/safety-deed",
      { piece: piece.id, deed },
      t("deeds.kept-text", { text: text.toLowerCase() }),
    ))
  )
    return;
  if (ALSO[deed])
    await tell(
      "/api/mark",
      { kind: ALSO[deed], piece: piece.id },
      t("deeds.marked-text", { text: text.toLowerCase() }),
    );
}

const WIDE = matchMedia("(min-width: 700px)");

/** Folded on a phone, where the pit must stay on the first screen. */
const question = (piece, asked, snapshot) =>
  make(
    "details",
    {
      class: "plate small asks",
      open: WIDE.matches,
      "aria-label": t("deeds.what-was-done-with", { name: piece.name }),
    },
    make("summary", {}, t("deeds.what-was-done-with-the", { name: piece.name.toLowerCase() })),
    muted(
      t("deeds.it-at-the-answer-stays", {
        what: ALARMS[asked.alarm.split("/")[0]] ?? plain(asked.alarm.split("/")[0]),
        since: clock(asked.since, snapshot),
      }),
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
  redraw(
    parent,
    open.map(({ piece }) => piece),
    () => open.map((asked) => question(meat.get(asked.piece), asked, snapshot)),
  );
}

/** What was answered about one piece, as lines. */
export const deedsOf = (piece, snapshot) =>
  snapshot.shift.deeds
    .filter((deed) => deed.piece === piece.id)
    .map(({ deed, at, note }) => `${clock(at, snapshot)} ${capital(plain(deed))}${note ? `: ${note}` : ""}.`);
