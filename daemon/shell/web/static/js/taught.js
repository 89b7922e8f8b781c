// What the pit taught, from which nights, how sure that is; and how to make the watch forget it.

import { across, bullets, button, buttonRow, make, muted } from "./dom.js";
import { grate, heatWord } from "./draw.js";
import { ask, live, tell } from "./live.js";
import { capital, day, difference, span, state, step } from "./words.js";

const minutes = (value) => span(value * 60);
const degreesAnHour = (value) => `${Math.abs(Math.round(step(value)))}° an hour`;
const lesson = (title, value, evidence) =>
  make("li", {}, across(make("span", {}, title), make("strong", { class: "num" }, value)), muted(evidence));

function fireFace(told) {
  const unknown = "No log of this pit was followed to its end yet; the watch goes by other pits.";
  return bullets(
    lesson(
      "A log lasts",
      told.log_interval === null ? "not known" : minutes(told.log_interval),
      told.log_interval === null
        ? unknown
        : `Middle of the newest logs, which lasted ${minutes(told.shortest)} to ${minutes(told.longest)}; ${told.logs} seen in all.`,
    ),
    lesson(
      "A log shows after",
      told.lag === null ? "not known" : minutes(told.lag),
      "From the mark until the pit turns upward.",
    ),
    lesson(
      "Between logs the pit loses",
      told.drift === null ? "not known" : degreesAnHour(told.drift),
      "While it falls and nobody feeds it.",
    ),
  );
}

function placesFace(places) {
  if (places.length < 2)
    return [
      muted(
        "Where it is hot: not known. That takes two pit probes or more, each with a place in the rig file.",
      ),
    ];
  return [
    grate(places),
    bullets(
      ...places.map((place) =>
        lesson(
          place.place,
          `${difference(place.offset)} ${heatWord(place.offset)}`,
          `Against the mean of all places, over ${place.hours.toFixed(0)} h of cooking; the error of its own probe is in it.`,
        ),
      ),
    ),
  ];
}

function missesFace(told, nights) {
  const later = (value) =>
    Math.abs(value) < 0.5 ? "on time" : `${Math.abs(value).toFixed(1)} min ${value > 0 ? "later" : "sooner"}`;
  if (told.misses.length === 0) return [muted("No forecast was held against the truth yet.")];
  return [
    told.trusted
      ? state(
          "good",
          `In use: each hour ahead is moved ${later(told.bias)}, and never by more than ${told.largest_bias} min`,
        )
      : state("suspect", "Not in use yet: one late piece is no habit, three are"),
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
    muted("Tender later or sooner than forecast, for each hour that was then ahead."),
  ];
}

function forgetting(afterwards) {
  const box = make("div", { class: "stack" });
  const ask_first = () => box.replaceChildren(buttonRow(button("Forget all of it", sure)));
  const sure = () => {
    const yes = button("Yes, forget it", async () => {
      if (await tell("/api/profile/forget", { sure: true }, "Forgotten. The next cook teaches anew."))
        afterwards();
      ask_first();
    });
    box.replaceChildren(
      make(
        "p",
        { class: "suspect" },
        "The watch then knows this pit no better than any other, until new cooks have taught it. The kept cooks stay.",
      ),
      buttonRow(button("No, keep it", ask_first, { class: "main" }), yes),
    );
    box.querySelector("button").focus();
  };
  ask_first();
  return box;
}

export function taughtRoom(root) {
  const body = make("div", {});
  let hoped = false;
  const show = async () => {
    const [told, { cooks }] = await Promise.all([
      ask("/api/profile"),
      ask("/api/cooks").catch(() => ({ cooks: [] })),
    ]);
    const nights = new Map(cooks.map((cook) => [cook.id, `${cook.name}, ${day(cook.started)}`]));
    const empty = told.cooks.length === 0 && told.logs === 0;
    if (empty) hoped = false;
    const from =
      told.cooks.length === 0
        ? "No finished cook has taught yet; what stands here comes from the fire that burns."
        : `From ${told.cooks.length} finished ${told.cooks.length === 1 ? "cook" : "cooks"}:`;
    body.replaceChildren(
      make(
        "section",
        { class: "plate" },
        make("h2", {}, `What we learned about ${live.snapshot?.pit.name ?? "this pit"}`),
        empty
          ? make(
              "p",
              {},
              "Nothing yet. Every cook that is ended teaches: how long a log lasts, where the grate is hot, how " +
                "far the forecasts were off.",
            )
          : make("p", {}, from),
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
      make("section", { class: "plate" }, make("h2", {}, "Its fires"), fireFace(told)),
      make("section", { class: "plate" }, make("h2", {}, "Its grate"), ...placesFace(told.places)),
      make("section", { class: "plate" }, make("h2", {}, "Its forecasts"), ...missesFace(told, nights)),
    );
  };
  const tried = () =>
    show().catch((error) => body.replaceChildren(make("p", { class: "plate" }, error.message)));
  root.replaceChildren(
    body,
    make(
      "section",
      { class: "plate" },
      make("h2", {}, "Start anew"),
      muted("After the pit was rebuilt, moved, or given another wood."),
      forgetting(() => {
        hoped = true;
        tried();
      }),
    ),
  );
  tried();
  return {
    update() {
      if (hoped) tried();
    },
    tick() {},
  };
}
