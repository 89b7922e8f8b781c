// Cooks: the running one, a new one, and the kept ones, to be found, opened and put side by side.

import { bullets, button, buttonRow, make, muted, strong, buttonTwice } from "./dom.js";
import { orDash, FIGURES } from "./figures.js";
import { ask, live, tell } from "./live.js";
import { addForm, startForm } from "./start.js";
import { day } from "./words.js";

const MOST = 6;
/** Ids of the cooks to compare, in the order they were chosen; kept while the page is open. */
export const chosen = new Set();

function running(snapshot) {
  if (snapshot.pieces.length === 0) return make("p", {}, "No cook is running.");
  const end = buttonTwice("End this cook", "Press again to end it", () =>
    tell("/api/end-cook", {}, "The cook has ended. It is kept in the log."),
  );
  return make(
    "div",
    { class: "stack" },
    make("p", {}, `Running: ${snapshot.cook_name}, ${snapshot.pieces.map((piece) => piece.name).join(", ")}`),
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
          `${day(cook.started)} · ${cook.pit} · ${cook.pieces.join(", ")} · in band ${orDash(inBand(cook))}`,
        ),
        cook.verdict ? make("small", { class: "line" }, `“${cook.verdict}”`) : null,
      ),
    ),
    make(
      "a",
      { class: "button", href: `#cook/${encodeURIComponent(cook.id)}`, "aria-label": `Open ${cook.name}` },
      "Open",
    ),
  );
}

export function cooksRoom(root, [wanted]) {
  const [now, form, adding, kept] = [0, 1, 2, 3].map(() => make("div", {}));
  const words = make("input", { type: "search", name: "words", maxlength: 80 });
  const go = button(
    "Compare",
    () => {
      location.hash = `#compare/${[...chosen].map(encodeURIComponent).join("/")}`;
    },
    { class: "main" },
  );
  const hint = muted();
  const changed = () => {
    go.disabled = chosen.size < 2 || chosen.size > MOST;
    go.textContent = chosen.size < 2 ? "Compare" : `Compare ${chosen.size} cooks`;
    hint.textContent =
      chosen.size > MOST
        ? `Six at most: ${chosen.size} are chosen.`
        : "Choose two to six to see them side by side.";
  };
  let asked = 0;
  const list = async () => {
    asked += 1;
    const mine = asked;
    let found;
    try {
      const { cooks } = await ask(`/api/cooks?words=${encodeURIComponent(words.value)}`);
      found = cooks.length
        ? bullets(...cooks.map((cook) => keptRow(cook, changed)))
        : muted(
            words.value
              ? "No kept cook has these words."
              : "No cook kept yet: the first will stand here when it is over.",
          );
    } catch (error) {
      found = muted(error.message);
    }
    if (mine === asked) kept.replaceChildren(found);
  };
  words.addEventListener("input", list);
  root.replaceChildren(
    make("section", { class: "plate" }, make("h2", {}, "Now"), now),
    make("details", { class: "plate", id: "add" }, make("summary", {}, "Add a piece to this cook"), adding),
    make("details", { class: "plate", id: "start" }, make("summary", {}, "Start a cook"), form),
    make(
      "section",
      { class: "plate" },
      make("h2", {}, "Kept cooks"),
      make("label", {}, "Find by name, pit or meat", words),
      kept,
      hint,
      buttonRow(go),
    ),
    make(
      "section",
      { class: "plate" },
      make("h2", {}, "The pit itself"),
      buttonRow(make("a", { class: "button", href: "#taught" }, "What we learned about this pit")),
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
