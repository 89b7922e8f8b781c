// What lies on a chart besides its lines: the band, the marks with their words above the plot, the unit of the axis.

import { shown, unit } from "./words.js";

export const ROWS = 3; // of words above the plot
export const ROW = 15; // px each
const TICK = 9; // px of the small mark at the foot

const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function bandStrip({ ctx, bbox, valToPos }, [low, high]) {
  const [top, foot] = [high, low].map((celsius) =>
    Math.min(bbox.top + bbox.height, Math.max(bbox.top, valToPos(shown(celsius), "y", true))),
  );
  ctx.fillStyle = ink("--glow");
  ctx.fillRect(bbox.left, top, bbox.width, foot - top);
}

/** marks: [{x, text, small?}]. A small one is a tick at the foot without a word, so that a log every half hour hides nothing. */
function markLines(plot, marks) {
  const { ctx, bbox } = plot;
  const px = devicePixelRatio;
  const foot = bbox.top + bbox.height;
  ctx.strokeStyle = ctx.fillStyle = ink("--smoke");
  ctx.font = `${12 * px}px system-ui, sans-serif`;
  const free = Array(ROWS).fill(-Infinity); // where each row of words has room again
  for (const { x, text, small } of [...marks].sort((a, b) => a.x - b.x)) {
    const left = plot.valToPos(x, "x", true);
    if (left < bbox.left - 1 || left > bbox.left + bbox.width + 1) continue;
    if (small) {
      ctx.beginPath();
      ctx.moveTo(left, foot - TICK * px);
      ctx.lineTo(left - 4 * px, foot);
      ctx.lineTo(left + 4 * px, foot);
      ctx.fill();
      continue;
    }
    const width = ctx.measureText(text).width;
    const start = Math.min(left - 2 * px, bbox.left + bbox.width - width);
    const row = free.findIndex((from) => from <= start);
    const top = row < 0 ? bbox.top : bbox.top - (ROWS - row - 1) * ROW * px;
    ctx.setLineDash([3 * px, 3 * px]);
    ctx.beginPath();
    ctx.moveTo(left, top);
    ctx.lineTo(left, foot);
    ctx.stroke();
    ctx.setLineDash([]);
    if (row < 0) continue; // the line alone: its word stands in the list below
    free[row] = start + width + 8 * px;
    ctx.fillText(text, start, top - 4 * px);
  }
}

/** Hooks of the chart: the band lies under everything, the marks over the grid. bands: [[low, high]] in °C. */
export const markings = (bands, marks) => ({
  drawClear: [
    (plot) => {
      plot.ctx.save();
      for (const band of bands) bandStrip(plot, band);
      plot.ctx.restore();
    },
  ],
  drawAxes: [
    (plot) => {
      plot.ctx.save();
      plot.ctx.textAlign = "left";
      plot.ctx.textBaseline = "alphabetic";
      markLines(plot, marks);
      plot.ctx.font = `600 ${13 * devicePixelRatio}px system-ui, sans-serif`;
      plot.ctx.fillText(unit(), 2 * devicePixelRatio, plot.bbox.top - 13 * devicePixelRatio);
      plot.ctx.restore();
    },
  ],
});
