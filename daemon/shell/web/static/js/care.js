// Every probe with age and quality, units and light, and the cautions.

import { across, bullets, button, buttonRow, make, muted, redraw, say, strong } from "./dom.js";
import { listen, live, pairing, sinceWord } from "./live.js";
import { degrees, keep, prefer, qualityOf, reading, recall, span, state, trend } from "./words.js";
import { t } from "./texts.js";

const CAUTIONS = [
  [t("care.hot-metal"), t("care.the-pit-its-lid-and-its")],
  [t("care.grease-fire"), t("care.shut-the-lid-and-the")],
  [t("care.carbon-monoxide"), t("care.burning-wood-and")],
  [t("care.food-safety"), t("care.the-figures-name-the")],
  [t("care.tired-cook"), t("care.just-out-of-bed-people")],
];

/** What went wrong on the way from one device, in words; empty when nothing did. */
function losing(link) {
  const counts = [
    [link.lost, t("care.lines-lost")],
    [link.refused, t("care.lines-refused")],
    [link.restarts, t("care.restarts")],
    [link.unnamed, t("care.values-without-a-channel")],
  ];
  return counts
    .filter(([count]) => count)
    .map(([count, what]) => `${what} ${count}`)
    .join(", ");
}

export function careRoom(root) {
  const [probes, links] = [make("div", { id: "probes" }), make("div", { id: "links" })];
  const [units, clocks, lights] = [0, 1, 2].map(() => buttonRow());
  const choose = (box, options, current, act) =>
    box.replaceChildren(
      ...options.map(([value, text]) =>
        button(
          text,
          () => {
            act(value);
            choose(box, options, value, act);
          },
          { "aria-pressed": String(value === current) },
        ),
      ),
    );
  const choosing = (name, value) => {
    prefer(name, value);
    if (live.snapshot) update(live.snapshot);
    listen();
  };
  choose(
    units,
    [
      ["C", t("care.c-kg")],
      ["F", t("care.f-lb")],
    ],
    reading("unit"),
    (value) => choosing("unit", value),
  );
  choose(
    clocks,
    [
      ["24", "24 h"],
      ["12", "12 h"],
    ],
    reading("clock"),
    (value) => choosing("clock", value),
  );
  choose(
    lights,
    [
      ["auto", t("care.by-the-hour")],
      ["day", t("care.day")],
      ["night", t("care.night")],
      ["ember", t("care.ember-red")],
    ],
    recall("light") ?? "auto",
    (value) => {
      keep("light", value);
      window.applyLight();
    },
  );
  root.className = "halves";
  root.replaceChildren(
    make(
      "div",
      {},
      live.facts && !live.facts.paired ? pairing() : null,
      make("section", { class: "plate" }, make("h2", {}, t("care.every-probe")), probes, links),
      make(
        "section",
        { class: "plate" },
        make("h2", {}, t("care.units")),
        units,
        make("h2", {}, t("care.clock")),
        clocks,
        make("h2", {}, t("care.light")),
        lights,
      ),
    ),
    make(
      "section",
      { class: "plate" },
      make("h2", {}, t("care.take-care")),
      ...CAUTIONS.map(([title, text]) => make("div", {}, make("h3", {}, title), make("p", {}, text))),
    ),
  );
  const tick = () => {
    const channels = new Map(live.snapshot?.channels.map((channel) => [channel.id, channel]));
    for (const node of probes.querySelectorAll("[data-age]")) {
      const age = channels.get(node.dataset.age)?.age ?? null;
      say(node, age === null ? t("care.never-read") : t("care.age-ago", { age: span(age + sinceWord()) }));
    }
  };
  function update(snapshot) {
    redraw(probes, null, () =>
      bullets(
        ...snapshot.channels.map((channel) => {
          const age = make("span", { class: "quiet", "data-age": channel.id });
          return make(
            "li",
            {},
            across(strong(channel.name), make("span", { class: "num" }, degrees(channel.celsius))),
            across(
              state(...qualityOf(channel)),
              make("span", {}, `${trend(channel.celsius === null ? null : channel.rate)} · `, age),
            ),
          );
        }),
      ),
    );
    redraw(links, null, () =>
      snapshot.links
        .filter(losing)
        .map((link) =>
          muted(t("care.device-since-the-watch", { device: link.device, losing: losing(link) })),
        ),
    );
    tick();
  }
  return { update, tick };
}
