// Cooks: the running one, a new one, and the kept ones, to be found, opened and put side by side.

import { bullets, button, buttonRow, make, muted, strong, buttonTwice } from "./dom.js";
import { orDash, FIGURES } from "./figures.js";
import { ask, live, tell } from "./live.js";
import { addForm, startForm } from "./start.js";
import { day } from "./words.js";
import { t } from "./texts.js";

const MOST = 6;
/** Ids of the cooks to compare, in the order they were chosen; kept while the page is open. */
export const chosen = new Set();

function running(snapshot) {
  if (snapshot.pieces.length === 0) return make("p", {}, t("cooks.no-cook-is-running"));
  const end = buttonTwice(t("cooks.end-this-cook"), t("cooks.press-again-to-end-it"), () =>
    tell("/api/end-cook", {}, t("cooks.the-cook-has-ended-it-is")),
  );
  return make(
    "div",
    { class: "stack" },
    make(
      "p",
      {},
      t("cooks.running-cook-name-pieces", {
        cook_name: snapshot.cook_name,
        pieces: snapshot.pieces.map((piece) => piece.name).join(", "),
      }),
    ),
    buttonRow(end),
  );
}

function keptRow(cook, changed) {
  const box = make("input", {
    type: "checkbox",
    onchange: () => {
      if (box.checked) chosen.add(cook.id);
      else chosen.delete(cook.id);
      changed();
    },
  });
  box.checked = chosen.has(cook.id);
  const [, , inBand] = FIGURES[0];
  return make(
    "li",
    { class: "kept" },
    make(
      "label",
      { class: "check" },
      box,
      make(
        "span",
        {},
        strong(cook.name),
        make(
          "small",
          { class: "line" },
          t("cooks.line", {
            started: day(cook.started),
            pit: cook.pit,
            pieces: cook.pieces.join(", "),
            in_band: orDash(inBand(cook)),
          }),
        ),
        cook.verdict ? make("small", { class: "line" }, `“${cook.verdict}”`) : null,
      ),
    ),
    make(
      "a",
      {
        class: "button",
        href: `#cook/${encodeURIComponent(cook.id)}`,
        "aria-label": t("cooks.open-name", { name: cook.name }),
      },
      t("cooks.open"),
    ),
  );
}

export function cooksRoom(root, [wanted]) {
  const [now, form, adding, kept] = [0, 1, 2, 3].map(() => make("div", {}));
  const words = make("input", { type: "search", name: "words", maxlength: 80 });
  const go = button(
    t("cooks.compare"),
    () => {
      location.hash = `#compare/${[...chosen].map(encodeURIComponent).join("/")}`;
    },
    { class: "main" },
  );
  const hint = muted();
  const changed = () => {
    go.disabled = chosen.size < 2 || chosen.size > MOST;
    go.textContent = chosen.size < 2 ? t("cooks.compare") : t("cooks.compare-cooks", { chosen: chosen.size });
    hint.textContent =
      chosen.size > MOST
        ? t("cooks.six-at-most-are-chosen", { chosen: chosen.size })
        : t("cooks.choose-two-to-six-to-see");
  };
  const search = make("label", {}, t("cooks.find-by-name-pit-or-meat"), words);
  const comparing = make("div", { class: "stack" }, hint, buttonRow(go));
  let asked = 0;
  const list = async () => {
    asked += 1;
    const mine = asked;
    let found;
    try {
      const { cooks } = await ask(`/api/cooks?words=${encodeURIComponent(words.value)}`);
      found = cooks.length
        ? bullets(...cooks.map((cook) => keptRow(cook, changed)))
        : muted(words.value ? t("cooks.no-kept-cook-has-these") : t("cooks.no-cook-kept-yet-the"));
      search.hidden = cooks.length === 0 && !words.value;
      comparing.hidden = cooks.length + chosen.size < 2;
    } catch (error) {
      found = muted(error.message);
    }
    if (mine === asked) kept.replaceChildren(found);
  };
  words.addEventListener("input", list);
  root.replaceChildren(
    make("section", { class: "plate" }, make("h2", {}, t("cooks.now")), now),
    make(
      "details",
      { class: "plate", id: "add" },
      make("summary", {}, t("cooks.add-a-piece-to-this-cook")),
      adding,
    ),
    make("details", { class: "plate", id: "start" }, make("summary", {}, t("cooks.start-a-cook")), form),
    make("section", { class: "plate" }, make("h2", {}, t("cooks.kept-cooks")), search, kept, comparing),
    make(
      "section",
      { class: "plate" },
      make("h2", {}, t("cooks.the-pit-itself")),
      buttonRow(make("a", { class: "button", href: "#taught" }, t("cooks.what-we-learned-about"))),
    ),
  );
  const opens = (id, box, build) =>
    root.querySelector(id).addEventListener("toggle", () => {
      if (!box.firstChild && live.snapshot)
        ask("/api/cuts").then(
          (table) => box.replaceChildren(build(table)),
          (error) => box.replaceChildren(error.message),
        );
    });
  opens("#start", form, startForm);
  opens("#add", adding, addForm);
  if (["start", "add"].includes(wanted)) root.querySelector(`#${wanted}`).open = true;
  changed();
  list();
  let shownCook;
  const update = (snapshot) => {
    const face = `${snapshot.cook_id} ${snapshot.pieces.length}`;
    if (shownCook !== face) {
      shownCook = face;
      now.replaceChildren(running(snapshot));
      root.querySelector("#add").hidden = snapshot.pieces.length === 0;
      adding.replaceChildren();
    }
  };
  return { update, tick() {} };
}
