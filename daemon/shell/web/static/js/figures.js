// The figures of a kept cook in words: one list for one cook, for the comparison and for the reader's ear.

import { make } from "./dom.js";
import { difference, mass, massUnit, span } from "./words.js";
import { t } from "./texts.js";

const share = (value) => `${Math.round(100 * value)}\u00a0%`;
const apart = (value) => difference(value).slice(1);
const wood = (value) => `${mass(value).toFixed(1)} ${massUnit()}`;

/** [name, what it means, (cook) => text or null]. */
export const FIGURES = [
  [t("figures.time-in-band"), t("figures.of-the-cooking-time"), (cook) => cook.in_band, share],
  [t("figures.swing"), t("figures.of-the-pit-up-and-down"), (cook) => cook.swing, apart],
  [t("figures.evenness"), t("figures.spread-over-the-grate"), (cook) => cook.spread, apart],
  [t("figures.wood"), t("figures.weighed-by-you"), (cook) => cook.wood, wood],
  [t("figures.yield"), t("figures.served-of-raw"), (cook) => cook.yield_fraction, share],
  [t("figures.length"), t("figures.from-start-to-end"), (cook) => cook.duration, span],
].map(([name, meaning, pick, words]) => [
  name,
  meaning,
  (cook) => (pick(cook) === null ? null : words(pick(cook))),
]);

export const orDash = (text) => text ?? "–";

export const tallies = (cook) =>
  make(
    "dl",
    { class: "tally" },
    ...FIGURES.map(([name, meaning, value]) =>
      make(
        "div",
        {},
        make("dt", {}, name),
        make(
          "dd",
          {},
          make("span", { class: "num" }, orDash(value(cook))),
          make("small", {}, value(cook) === null ? t("figures.not-known") : meaning),
        ),
      ),
    ),
  );
