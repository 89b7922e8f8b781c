// Every probe with age and quality, units and light, and the cautions.

import { across, bullets, button, buttonRow, make, muted, redraw, say, strong } from "./dom.js";
import { listen, live, pairing, sinceWord } from "./live.js";
import { degrees, keep, prefer, qualityOf, reading, recall, span, state, trend, unit } from "./words.js";

const CAUTIONS = [
  [
    "Hot metal",
    "The pit, its lid and its tools burn skin at once, and go on doing so for hours after the fire. " +
      "Dry, heavy gloves; a clear, lit way to the pit; children and animals away.",
  ],
  [
    "Grease fire",
    "Shut the lid and the dampers and step back. Never water on burning fat. Keep a fire blanket or a " +
      "suitable extinguisher within reach, and call the fire service early.",
  ],
  [
    "Carbon monoxide",
    "Burning wood and charcoal gives a gas nobody can see or smell. Never burn indoors, in a tent, a " +
      "garage or under a closed roof. Embers count. Headache, sickness or dizziness: out into the air " +
      "and call for help.",
  ],
  [
    "Food safety",
    "The figures name the published rule they follow, and come from one spot of one piece. They " +
      "inform; they never certify food as safe. Check the thickest parts with a clean probe of your " +
      "own, keep hot food hot and cool leftovers fast.",
  ],
  [
    "Tired cook",
    "Just out of bed people are slow and sure of themselves. Sit up, light on, shoes on; then do the " +
      "one thing the alarm asks for.",
  ],
];

/** What went wrong on the way from one device, in words; empty when nothing did. */
function losing(link) {
  const counts = [
    [link.lost, "lines lost"],
    [link.refused, "lines refused"],
    [link.restarts, "restarts"],
    [link.unnamed, "values without a channel"],
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
      ["C", "°C, kg"],
      ["F", "°F, lb"],
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
      ["auto", "By the hour"],
      ["day", "Day"],
      ["night", "Night"],
      ["ember", "Ember red"],
    ],
    recall("light") ?? "auto",
    (value) => {
      keep("light", value);
      window.applyLight();
    },
  );
  root.replaceChildren(
    ...[
      live.facts && !live.facts.paired ? pairing() : null,
      make("section", { class: "plate" }, make("h2", {}, "Every probe"), probes, links),
      make(
        "section",
        { class: "plate" },
        make("h2", {}, "Units"),
        units,
        make("h2", {}, "Clock"),
        clocks,
        make("h2", {}, "Light"),
        lights,
      ),
      make(
        "section",
        { class: "plate" },
        make("h2", {}, "Take care"),
        ...CAUTIONS.map(([title, text]) => make("div", {}, make("h3", {}, title), make("p", {}, text))),
      ),
    ].filter(Boolean),
  );
  const ages = new Map();
  const tick = () => {
    for (const channel of live.snapshot?.channels ?? []) {
      const node = ages.get(channel.id);
      if (node) say(node, channel.age === null ? "never read" : `${span(channel.age + sinceWord())} ago`);
    }
  };
  function update(snapshot) {
    redraw(probes, [unit(), snapshot.channels.map(({ age, ...rest }) => rest)], () =>
      bullets(
        ...snapshot.channels.map((channel) => {
          const age = make("span", { class: "quiet" });
          ages.set(channel.id, age);
          return make(
            "li",
            {},
            across(strong(channel.name), make("span", { class: "num" }, degrees(channel.celsius))),
            across(state(...qualityOf(channel)), make("span", {}, `${trend(channel.rate)} · `, age)),
          );
        }),
      ),
    );
    redraw(links, snapshot.links, () =>
      snapshot.links
        .filter(losing)
        .map((link) => muted(`Device ${link.device} since the watch began: ${losing(link)}.`)),
    );
    tick();
  }
  return { update, tick };
}
