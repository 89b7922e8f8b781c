// Making and keeping elements. Text goes in as text only: nothing here can make markup of a string.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== ""));
  return node;
}

export const make = (tag, attributes = {}, ...children) =>
  fill(document.createElement(tag), attributes, children);

export const draw = (tag, attributes = {}, ...children) =>
  fill(document.createElementNS(SVG, tag), attributes, children);

/** A table with one row of heads; on a phone the first cell of each row stands above the others. box: its further attributes. */
export const table = (heads, rows, box = {}) =>
  make(
    "div",
    { class: "scroll", tabindex: "0", ...box },
    make(
      "table",
      { class: "forecast" },
      make("thead", {}, make("tr", {}, ...heads.map((text) => make("th", { scope: "col" }, text)))),
      make("tbody", {}, ...rows),
    ),
  );

export const find = (id) => document.getElementById(id);

export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** What a reader sees of it, to be compared: but for what the reader has opened or shut. */
const shows = (node) =>
  node.childNodes === undefined || node.nodeType === Node.TEXT_NODE
    ? (node.data ?? node)
    : [
        node.tagName,
        Array.from(node.attributes)
          .filter(({ name }) => name !== "open")
          .map(({ value }) => value),
        Array.from(node.childNodes, shows),
      ];

/** Rebuild `parent` only when what it shows has changed: that is compared, not what it is made of, for a list of causes would one
 * day miss one. acts: what its buttons act on and nobody sees. */
export function redraw(parent, acts, build) {
  const fresh = [build()].flat().filter(Boolean);
  const signature = JSON.stringify([acts, fresh.map(shows)]);
  if (parent.signature === signature) return;
  parent.signature = signature;
  parent.replaceChildren(...fresh);
}

/** One lasting node an item: a press that begins before an update still ends on the same button. */
export function keyed(parent, items, keyOf, create) {
  parent.kept ??= new Map();
  const { kept } = parent;
  const wanted = new Set(items.map(keyOf));
  for (const [key, part] of kept) {
    if (!wanted.has(key)) {
      part.node.remove();
      kept.delete(key);
    }
  }
  items.forEach((item, index) => {
    const key = keyOf(item);
    let part = kept.get(key);
    if (!part) {
      part = create(item);
      kept.set(key, part);
    }
    if (parent.children[index] !== part.node) parent.insertBefore(part.node, parent.children[index] ?? null);
    part.update(item);
  });
}

export const button = (text, act, attributes = {}) =>
  make("button", { type: "button", onclick: act, ...attributes }, text);

/** What the page is made of again and again. */
export const muted = (...children) => make("p", { class: "quiet" }, ...children);
export const strong = (...children) => make("strong", {}, ...children);
export const across = (...children) => make("div", { class: "row" }, ...children);
export const bullets = (...children) => make("ul", { class: "list" }, ...children);
export const buttonRow = (...children) => make("div", { class: "buttons" }, ...children);
export const fold = (title, ...children) => make("details", {}, make("summary", {}, title), ...children);
export const choices = (pairs) => pairs.map(([value, text]) => make("option", { value }, text));

/** A button that does it at the second press, within five seconds of the first. */
export function buttonTwice(text, again, act) {
  let sure = false;
  const node = button(text, () => {
    if (sure) {
      act();
      return;
    }
    sure = true;
    node.textContent = again;
    setTimeout(() => {
      sure = false;
      node.textContent = text;
    }, 5000);
  });
  return node;
}
