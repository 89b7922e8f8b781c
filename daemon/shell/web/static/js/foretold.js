// When a piece will be ready, and whether what was foretold of it may still be relied on: one answer, whoever shows it.

import { allPits } from "./pits.js";

export const ON_FIRE = ["on", "cooking", "stall", "past-stall", "wrapped", "tender-range"];

/** Off the fire for good. */
export const OFF = ["off", "rest", "hold", "chill", "done"];

/** When a piece is likely ready; undefined where nobody can tell. */
export function readyAt({ outlooks }) {
  return outlooks.find(
    ({ scenario, goal, at }) => scenario === "planned" && ["tender", "target"].includes(goal) && at !== null,
  )?.at;
}

/** What was foretold of a piece on the fire whose pit is not read. */
export const isForetoldBlind = (piece, snapshot) =>
  ON_FIRE.includes(piece.stage) &&
  readyAt(piece) !== undefined &&
  allPits(snapshot).find(({ id }) => snapshot.pits.length === 0 || id === piece.pit)?.celsius === null;
