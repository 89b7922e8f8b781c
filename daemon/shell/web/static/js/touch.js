// Fingers on a chart: one drags it along in time, two pull it apart or push it together. Up and down stays scrolling.

const CLOSEST = 24; // px between two fingers, below which they say nothing

/** The range after the fingers moved: what lay under each stays under it. range: [low, high] of an axis that begins at `left`
 * px and is `width` px wide; from, to: where the fingers were and are, px. Null when that cannot be said. */
export function underFingers([low, high], from, to, left, width) {
  const scale = (high - low) / width;
  if (from.length === 1) return [low + (from[0] - to[0]) * scale, high + (from[0] - to[0]) * scale];
  const [a, b] = [low + (from[0] - left) * scale, low + (from[1] - left) * scale];
  const apart = to[1] - to[0];
  if (Math.abs(apart) < CLOSEST || Math.abs(from[1] - from[0]) < CLOSEST || apart > 0 !== from[1] > from[0])
    return null;
  const fresh = (b - a) / apart;
  return [a - (to[0] - left) * fresh, a + (left + width - to[0]) * fresh];
}

/** plot(): the chart's plot now. moved(low, high): while the fingers are on it. left(low, high): after the last one went. */
export function fingers(box, plot, moved, left) {
  const down = new Map();
  let held = null;
  let now = null;
  const hold = () => {
    const { min, max } = plot().scales.x;
    held = { range: [min, max], from: [...down.values()].slice(0, 2) };
  };
  box.addEventListener("pointerdown", (event) => {
    if (event.pointerType === "mouse" || !plot()) return;
    event.target.setPointerCapture(event.pointerId);
    down.set(event.pointerId, event.clientX);
    box.toggleAttribute("data-held", true);
    hold();
  });
  box.addEventListener("pointermove", (event) => {
    if (!down.has(event.pointerId)) return;
    down.set(event.pointerId, event.clientX);
    const area = plot().over.getBoundingClientRect();
    const range = underFingers(held.range, held.from, [...down.values()].slice(0, 2), area.left, area.width);
    if (!range) return;
    now = range;
    moved(...range);
  });
  const up = (event) => {
    if (!down.delete(event.pointerId)) return;
    // Taken away by the browser: it was a scroll, and nothing has moved.
    if (event.type === "pointercancel" && now) {
      moved(...held.range);
      now = null;
    }
    if (down.size > 0) {
      hold();
      return;
    }
    box.removeAttribute("data-held");
    if (now) left(...now);
    now = null;
  };
  for (const end of ["pointerup", "pointercancel"]) box.addEventListener(end, up);
}
