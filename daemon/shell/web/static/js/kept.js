// One kept cook: its figures, its curves, what was done, and the cook's own notes.

import { across, bullets, button, buttonRow, fold, make, muted, strong } from "./dom.js";
import { chart, legend, seriesInk, whole } from "./chart.js";
import { chosen } from "./cooks.js";
import { tallies } from "./figures.js";
import { ask, tell } from "./live.js";
import { at, capital, day, kilos, mass, massUnit, plain, span } from "./words.js";
import { t } from "./texts.js";

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
      t("kept.the-notes-are-kept"),
    );
    if (sent) saved();
  };
  return make(
    "form",
    { class: "stack", onsubmit: send },
    make("label", {}, t("kept.verdict"), verdict),
    make("label", {}, t("kept.weather"), weather),
    make("div", { class: "fields" }, make("label", {}, t("kept.wood-burnt", { unit: massUnit() }), wood)),
    ...weights.map(([piece, raw, served]) =>
      make(
        "fieldset",
        {},
        make("legend", {}, piece.name),
        make(
          "div",
          { class: "fields" },
          make("label", {}, t("kept.raw", { unit: massUnit() }), raw),
          make("label", {}, t("kept.served", { unit: massUnit() }), served),
        ),
      ),
    ),
    make("label", {}, t("kept.photos-one-file-name-a"), photos),
    make("p", { class: "quiet", id: "photo-hint" }, t("kept.names-only-to-find-them")),
    buttonRow(make("button", { class: "main" }, t("kept.keep-the-notes"))),
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
        ? strong(t("kept.woke-you-text", { text: moment.text }))
        : moment.kind === "would-wake"
          ? t("kept.would-have-woken-you", { text: moment.text })
          : `${capital(plain(moment.kind))}${moment.piece ? `, ${named(moment.piece)}` : ""}${moment.text ? `: ${moment.text}` : ""}`,
    );
  return fold(
    t("kept.what-was-done", { moments: moments.length }),
    moments.length ? bullets(...moments.map(line)) : muted(t("kept.no-mark-and-no-wake")),
  );
}

function choosing(cook) {
  const box = buttonRow();
  const draw = () =>
    box.replaceChildren(
      button(
        chosen.has(cook.id) ? t("kept.chosen-for-comparing") : t("kept.choose-for-comparing"),
        () => {
          if (!chosen.delete(cook.id)) chosen.add(cook.id);
          draw();
        },
        { "aria-pressed": String(chosen.has(cook.id)) },
      ),
      make("a", { class: "button", href: "#cooks" }, t("kept.back-to-the-cooks")),
    );
  draw();
  return box;
}

/** A button for each pit that had meat; nothing where there is only one. */
const pitsOf = ({ pits, pit }, choose) =>
  pits.length < 2
    ? []
    : [
        buttonRow(
          ...pits.map(({ id, name }) =>
            button(name, () => choose(id), { "aria-pressed": String(id === pit) }),
          ),
        ),
      ];

export function keptRoom(root, [id]) {
  const show = async (pit = "") => {
    const wanted = `cook=${encodeURIComponent(id)}${pit ? `&pit=${encodeURIComponent(pit)}` : ""}`;
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
          `${day(cook.started)} ${at(cook.started * 1000)}, ${span(cook.duration)} · ${cook.pit} · ${cook.pieces.join(", ")}${running ? t("kept.still-running") : ""}`,
        ),
        ...pitsOf(page, show),
        tallies(cook),
        plot,
        legend([t("kept.pit"), ...curve.cores.map(([name]) => name)]),
        across(muted(t("kept.pull-apart-with-two")), whole(plot)),
        happened(page),
        buttonRow(
          make("a", { class: "button", href: `/api/cooks/report?${wanted}` }, t("kept.report")),
          make(
            "a",
            { class: "button", href: `/api/cooks/csv?cook=${encodeURIComponent(id)}`, download: "" },
            t("kept.readings-as-csv"),
          ),
        ),
      ),
      make(
        "section",
        { class: "plate" },
        make("h2", {}, t("kept.your-notes")),
        notesForm(page, () => show(pit)),
      ),
      make("section", { class: "plate" }, choosing(cook)),
    );
    await chart(
      plot,
      curve.time,
      [[t("kept.pit"), curve.pit], ...curve.cores].map(([label, values], index) => ({
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
        label: t("kept.temperatures-of-from-its", { name: cook.name }),
      },
    );
  };
  root.replaceChildren(make("p", { class: "plate quiet" }, t("kept.fetching-the-cook")));
  show().catch((error) =>
    root.replaceChildren(
      make(
        "section",
        { class: "plate" },
        make("p", {}, error.message),
        buttonRow(make("a", { class: "button", href: "#cooks" }, t("kept.back-to-the-cooks"))),
      ),
    ),
  );
  return { update() {}, tick() {} };
}
