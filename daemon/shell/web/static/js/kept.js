// One kept cook: its figures, its curves, what was done, and the cook's own notes.

import { across, bullets, button, buttonRow, fold, make, muted, strong } from "./dom.js";
import { chart, legend, seriesInk, whole } from "./chart.js";
import { chosen } from "./cooks.js";
import { tallies } from "./figures.js";
import { ask, tell } from "./live.js";
import { at, capital, day, kilos, mass, massUnit, plain, span } from "./words.js";

const fixed = (kilograms) => (kilograms === null || kilograms === 0 ? "" : mass(kilograms).toFixed(2));
const kiloField = (value) =>
  make("input", { type: "number", step: "0.01", min: "0", inputmode: "decimal", value: fixed(value) });

function notesForm({ curve, notes, pieces }, saved) {
  const verdict = make("textarea", { rows: 2, maxlength: 400 }, notes.verdict);
  const weather = make("input", { maxlength: 400, value: notes.weather });
  const photos = make("textarea", { rows: 2, "aria-describedby": "photo-hint" }, notes.photos.join("\n"));
  const wood = kiloField(notes.wood);
  const weights = pieces.map((piece) => {
    const [raw, served] = notes.weights[piece.id] ?? [piece.weight, 0];
    return [piece, kiloField(raw), kiloField(served)];
  });
  const send = async (event) => {
    event.preventDefault();
    const sent = await tell(
      "/api/cooks/amend",
      {
        cook: curve.cook.id,
        verdict: verdict.value.trim(),
        weather: weather.value.trim(),
        photos: photos.value
          .split("\n")
          .map((name) => name.trim())
          .filter(Boolean),
        wood: wood.value === "" ? null : kilos(wood.value),
        weights: Object.fromEntries(
          weights.map(([piece, raw, served]) => [piece.id, [kilos(raw.value), kilos(served.value)]]),
        ),
      },
      "The notes are kept.",
    );
    if (sent) saved();
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    make("label", {}, "Verdict", verdict),
    make("label", {}, "Weather", weather),
    make("div", { class: "fields" }, make("label", {}, `Wood burnt, ${massUnit()}`, wood)),
    ...weights.map(([piece, raw, served]) =>
      make(
        "fieldset",
        {},
        make("legend", {}, piece.name),
        make(
          "div",
          { class: "fields" },
          make("label", {}, `Raw, ${massUnit()}`, raw),
          make("label", {}, `Served, ${massUnit()}`, served),
        ),
      ),
    ),
    make("label", {}, "Photos, one file name a line", photos),
    make(
      "p",
      { class: "quiet", id: "photo-hint" },
      "Names only, to find them again: the pictures stay where they are.",
    ),
    buttonRow(make("button", { class: "main" }, "Keep the notes")),
  );
}

function happened({ curve, moments, pieces }) {
  const named = (id) => pieces.find((piece) => piece.id === id)?.name ?? id;
  const line = (moment) =>
    make(
      "li",
      {},
      make("span", { class: "num" }, at((curve.cook.started + moment.at) * 1000)),
      " ",
      moment.kind === "woken"
        ? strong(`Woke you: ${moment.text}`)
        : `${capital(plain(moment.kind))}${moment.piece ? `, ${named(moment.piece)}` : ""}${moment.text ? `: ${moment.text}` : ""}`,
    );
  return fold(
    `What was done (${moments.length})`,
    moments.length ? bullets(...moments.map(line)) : muted("No mark and no wake."),
  );
}

function choosing(cook) {
  const box = buttonRow();
  const draw = () =>
    box.replaceChildren(
      button(
        chosen.has(cook.id) ? "Chosen for comparing" : "Choose for comparing",
        () => {
          if (!chosen.delete(cook.id)) chosen.add(cook.id);
          draw();
        },
        { "aria-pressed": String(chosen.has(cook.id)) },
      ),
      make("a", { class: "button", href: "#cooks" }, "Back to the cooks"),
    );
  draw();
  return box;
}

export function keptRoom(root, [id]) {
  const wanted = `cook=${encodeURIComponent(id)}`;
  const show = async () => {
    const page = await ask(`/api/cooks/kept?${wanted}&points=400`);
    const { curve, band, moments, running } = page;
    const { cook } = curve;
    const plot = make("div", { class: "chart" });
    root.replaceChildren(
      make(
        "section",
        { class: "plate" },
        make("h2", {}, cook.name),
        muted(
          `${day(cook.started)} ${at(cook.started * 1000)}, ${span(cook.duration)} · ${cook.pit} · ${cook.pieces.join(", ")}${running ? " · still running" : ""}`,
        ),
        tallies(cook),
        plot,
        legend(["Pit", ...curve.cores.map(([name]) => name)]),
        across(muted("Pull apart with two fingers."), whole(plot)),
        happened(page),
        buttonRow(
          make("a", { class: "button", href: `/api/cooks/report?${wanted}` }, "Report"),
          make("a", { class: "button", href: `/api/cooks/csv?${wanted}`, download: "" }, "Readings as CSV"),
        ),
      ),
      make("section", { class: "plate" }, make("h2", {}, "Your notes"), notesForm(page, show)),
      make("section", { class: "plate" }, choosing(cook)),
    );
    await chart(
      plot,
      curve.time,
      [["Pit", curve.pit], ...curve.cores].map(([label, values], index) => ({
        label,
        values,
        ink: seriesInk(index),
      })),
      {
        time: false,
        bands: [[band.low, band.high]],
        marks: moments
          .filter((moment) => moment.kind !== "log")
          .map((moment) => ({ x: moment.at, text: plain(moment.kind) })),
        label: `Temperatures of ${cook.name} from its start; the figures stand above`,
      },
    );
  };
  root.replaceChildren(make("p", { class: "plate quiet" }, "Fetching the cook."));
  show().catch((error) =>
    root.replaceChildren(
      make(
        "section",
        { class: "plate" },
        make("p", {}, error.message),
        buttonRow(make("a", { class: "button", href: "#cooks" }, "Back to the cooks")),
      ),
    ),
  );
  return { update() {}, tick() {} };
}
