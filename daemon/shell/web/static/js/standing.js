// Ahead or behind the serving time, and what still helps: every remedy beside doing nothing.

import { isForetoldBlind } from "./foretold.js";
import { across, make, muted, strong } from "./dom.js";
import { difference, span, state, when } from "./words.js";
import { t } from "./texts.js";

const ON_COURSE = 10 * 60; // s: nobody serves to the minute
const SURE = 0.9; // the chance a plan is made for
const REMEDIES = {
  none: () => t("standing.go-on-as-now"),
  raise: () => t("standing.pit-hotter", { hotter: difference(10).slice(1) }),
  wrap: () => t("standing.wrap-it-now"),
  oven: () => t("standing.wrapped-into-the-oven"),
};
const percent = (chance) =>
  chance > 0.995
    ? t("standing.over-99")
    : chance < 0.005
      ? t("standing.under-1")
      : `${Math.round(100 * chance)} %`;

/** How the cook stands to its serving time, as words and how good that is: the one answer, whoever shows it. */
export function course({ ahead, chance, planned = false }) {
  if (planned) {
    const [kind, words] = course({ ahead, chance });
    return [kind, t("standing.by-the-plan", { words })];
  }
  if (ahead <= -ON_COURSE)
    return [
      chance === null || chance < 0.5 ? "bad" : "suspect",
      t("standing.ahead-behind", { ahead: span(-ahead) }),
    ];
  if (isUnsure(chance)) return ["suspect", t("standing.likely-in-time", { chance: percent(chance) })];
  return [
    "good",
    ahead < ON_COURSE ? t("standing.on-course") : t("standing.ahead-ahead", { ahead: span(ahead) }),
  ];
}

/** Hours in hand by the likely times are no comfort where the chance is less than was planned for: it is what is said then. */
const isUnsure = (chance) => chance !== null && chance < SURE;

export function verdict(standing) {
  const { ahead, chance } = standing;
  const likely =
    chance === null
      ? t("standing.chance-not-known-yet")
      : !isUnsure(chance) || ahead <= -ON_COURSE
        ? t("standing.likely-in-time", { chance: percent(chance) })
        : ahead < ON_COURSE
          ? t("standing.to-the-minute")
          : t("standing.if-likely", { ahead: span(ahead) });
  return make(
    "p",
    { class: "row" },
    ahead === null ? state("quiet", t("standing.ahead-or-behind-not")) : state(...course(standing)),
    make("span", {}, likely),
  );
}

function remedyRow(remedy, snapshot) {
  const meter = make("i", {});
  meter.style.width = `${Math.round(100 * remedy.chance)}%`;
  const gain =
    remedy.action === "none"
      ? ""
      : remedy.gain > 60
        ? t("standing.gain-sooner", { gain: span(remedy.gain) })
        : t("standing.no-sooner");
  return make(
    "li",
    { class: "remedy" },
    across(strong(REMEDIES[remedy.action]()), make("span", { class: "num" }, percent(remedy.chance))),
    make("div", { class: "meter", "aria-hidden": "true" }, meter),
    muted(
      t("standing.done", {
        at: when(remedy.off.p50, snapshot),
        gain,
        rough: remedy.rough ? t("standing.a-rough-figure") : "",
      }),
    ),
  );
}

export const isBehind = (standing) => (standing?.ahead ?? 0) < -ON_COURSE;

/** open: as the reader left the list of remedies; undefined = open when behind. told: the plan has said already how it stands. */
export function standingFace(snapshot, open, told = false) {
  const standing = snapshot.standing;
  if (snapshot.serve_at === null) return [];
  if (told && !standing?.remedies.length && !standing?.unknown.length) return [];
  const head = told
    ? null
    : across(
        make("h2", {}, snapshot.cook_name),
        make(
          "strong",
          { class: "num" },
          t("standing.serve-serve-at", { serve_at: when(snapshot.serve_at, snapshot) }),
        ),
      );
  if (standing === null)
    return [make("section", { class: "plate", "aria-label": t("standing.serving") }, head)];
  const blind = snapshot.pieces.some((piece) => isForetoldBlind(piece, snapshot));
  const names = new Map(snapshot.pieces.map((piece) => [piece.id, piece.name]));
  const groups = new Map(
    snapshot.pieces
      .map((piece) => [piece.id, standing.remedies.filter((remedy) => remedy.piece === piece.id)])
      .filter(([, own]) => own.length),
  );
  return [
    make(
      "section",
      { class: "plate", "aria-label": t("standing.serving") },
      head,
      told || blind ? null : verdict(standing),
      blind ? muted(t("standing.blind")) : null,
      standing.unknown.length
        ? muted(
            t("standing.no-forecast-yet-for", {
              unknown: standing.unknown.map((id) => names.get(id) ?? id).join(", "),
            }),
          )
        : null,
      groups.size === 0 || blind
        ? null
        : make(
            "details",
            { open: open ?? isBehind(standing) },
            make("summary", {}, t("standing.what-would-help")),
            muted(t("standing.chance-of-serving-in")),
            ...[...groups].map(([piece, remedies]) =>
              make(
                "div",
                {},
                make("h3", {}, names.get(piece) ?? piece),
                make("ul", { class: "remedies" }, ...remedies.map((remedy) => remedyRow(remedy, snapshot))),
              ),
            ),
          ),
    ),
  ];
}
