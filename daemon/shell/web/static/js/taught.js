// What the pit taught, from which nights, how sure that is; and how to make the watch forget it.

import { across, bullets, button, buttonRow, make, muted } from "./dom.js";
import { grate, heatWord } from "./draw.js";
import { ask, live, tell } from "./live.js";
import { allPits } from "./pits.js";
import { capital, day, difference, plain, span, state, step } from "./words.js";
import { t } from "./texts.js";

const minutes = (value) => span(value * 60);
const degreesAnHour = (value) => t("taught.degrees-an-hour", { value: Math.abs(Math.round(step(value))) });
const lesson = (title, value, evidence) =>
  make("li", {}, across(make("span", {}, title), make("strong", { class: "num" }, value)), muted(evidence));

function fireFace(told) {
  const unknown = t("taught.no-log-of-this-pit-was");
  return bullets(
    lesson(
      t("taught.a-log-lasts"),
      told.log_interval === null ? t("taught.not-known") : minutes(told.log_interval),
      told.log_interval === null
        ? unknown
        : t("taught.middle-of-the-newest", {
            shortest: minutes(told.shortest),
            longest: minutes(told.longest),
            logs: told.logs,
          }),
    ),
    lesson(
      t("taught.a-log-shows-after"),
      told.lag === null ? t("taught.not-known") : minutes(told.lag),
      t("taught.from-the-mark-until-the"),
    ),
    lesson(
      t("taught.between-logs-the-pit"),
      told.drift === null ? t("taught.not-known") : degreesAnHour(told.drift),
      t("taught.while-it-falls-and"),
    ),
  );
}

function placesFace(places) {
  if (places.length < 2) return [muted(t("taught.where-it-is-hot-not"))];
  return [
    grate(places),
    bullets(
      ...places.map((place) =>
        lesson(
          place.place,
          `${difference(place.offset)} ${plain(heatWord(place.offset))}`,
          t("taught.over-hours", { hours: place.hours.toFixed(0) }),
        ),
      ),
    ),
    muted(t("taught.against-the-mean-of-all")),
  ];
}

function missesFace(told, nights) {
  const later = (value) =>
    Math.abs(value) < 0.5
      ? t("taught.on-time")
      : t(value > 0 ? "taught.min-later" : "taught.min-sooner", { minutes: Math.abs(value).toFixed(1) });
  if (told.misses.length === 0) return [muted(t("taught.no-forecast-was-held"))];
  return [
    told.trusted
      ? state(
          "good",
          t("taught.in-use-each-hour-ahead", { bias: later(told.bias), largest_bias: told.largest_bias }),
        )
      : state("suspect", t("taught.not-in-use-yet-one-late")),
    bullets(
      ...told.misses.map((miss) =>
        make(
          "li",
          { class: "row" },
          make(
            "a",
            { href: `#cook/${encodeURIComponent(miss.cook)}` },
            `${capital(miss.piece)}, ${nights.get(miss.cook) ?? miss.cook}`,
          ),
          make("strong", { class: "num" }, later(miss.minutes_per_hour)),
        ),
      ),
    ),
    muted(t("taught.tender-later-or-sooner")),
  ];
}

/** pit: says what an order must say of the pit that is shown. */
function forgetting(pit, afterwards) {
  const box = make("div", { class: "stack" });
  const ask_first = () => box.replaceChildren(buttonRow(button(t("taught.forget-all-of-it"), sure)));
  const sure = () => {
    const yes = button(t("taught.yes-forget-it"), async () => {
      if (await tell("/api/profile/forget", { sure: true, ...pit() }, t("taught.forgotten-the-next-cook")))
        afterwards();
      ask_first();
    });
    box.replaceChildren(
      make("p", { class: "suspect" }, t("taught.the-watch-then-knows")),
      buttonRow(button(t("taught.no-keep-it"), ask_first, { class: "main" }), yes),
    );
    box.querySelector("button").focus();
  };
  ask_first();
  return box;
}

export function taughtRoom(root) {
  const [body, forecasts] = [make("div", {}), make("section", { class: "plate" })];
  forecasts.hidden = true; // until there is something in it
  let hoped = false;
  let chosen = "";
  const pits = () => (live.snapshot ? allPits(live.snapshot) : []);
  const named = () => (chosen ? { pit: chosen } : {});
  const choose = (id) => {
    chosen = id;
    tried();
  };
  const choices = (shown) =>
    pits().length < 2
      ? []
      : [
          buttonRow(
            ...pits().map(({ id, name }) =>
              button(name, () => choose(id), { "aria-pressed": String(id === shown?.id) }),
            ),
          ),
        ];
  const show = async () => {
    const pit = pits().find(({ id }) => id === chosen) ?? live.snapshot?.pit;
    const [told, { cooks }] = await Promise.all([
      ask(chosen ? `/api/profile?pit=${encodeURIComponent(chosen)}` : "/api/profile"),
      ask("/api/cooks").catch(() => ({ cooks: [] })),
    ]);
    const nights = new Map(cooks.map((cook) => [cook.id, `${cook.name}, ${day(cook.started)}`]));
    const empty = told.cooks.length === 0 && told.logs === 0;
    if (empty) hoped = false;
    const from =
      told.cooks.length === 0
        ? t("taught.no-finished-cook-has")
        : told.cooks.length === 1
          ? t("taught.from-one-cook")
          : t("taught.from-cooks", { cooks: told.cooks.length });
    body.replaceChildren(
      make(
        "section",
        { class: "plate" },
        make("h2", {}, t("taught.what-we-learned-about", { name: pit?.name ?? t("taught.this-pit") })),
        ...choices(pit),
        empty ? make("p", {}, t("taught.nothing-yet-every-cook")) : make("p", {}, from),
        make(
          "ul",
          { class: "links" },
          ...told.cooks.map((cook) =>
            make(
              "li",
              {},
              make("a", { href: `#cook/${encodeURIComponent(cook)}` }, nights.get(cook) ?? cook),
            ),
          ),
        ),
      ),
      make("section", { class: "plate" }, make("h2", {}, t("taught.its-fires")), fireFace(told)),
      make("section", { class: "plate" }, make("h2", {}, t("taught.its-grate")), ...placesFace(told.places)),
    );
    forecasts.hidden = false;
    forecasts.replaceChildren(make("h2", {}, t("taught.its-forecasts")), ...missesFace(told, nights));
  };
  const tried = () =>
    show().catch((error) => body.replaceChildren(make("p", { class: "plate" }, error.message)));
  root.className = "halves";
  const anew = make(
    "section",
    { class: "plate" },
    make("h2", {}, t("taught.start-anew")),
    muted(t("taught.after-the-pit-was")),
    forgetting(named, () => {
      hoped = true;
      tried();
    }),
  );
  root.replaceChildren(body, make("div", {}, forecasts, anew));
  tried();
  return {
    update() {
      if (hoped) tried();
    },
    tick() {},
  };
}
