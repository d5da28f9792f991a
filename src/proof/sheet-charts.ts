import type { JointRange } from './joint-angles.ts';
import type { PlantRecord } from './measure.ts';
import { escapeXml } from './report-junit.ts';

const WIDTH = 900;
const LEFT = 92;
const RIGHT = 14;
const BOTTOM = 26;
/** More points than this are finer than a pixel of the chart. */
const MOST_POINTS = 700;

function n(value: number): string {
  return value.toFixed(1);
}

function xOf(frame: number, frameCount: number): number {
  return LEFT + (frame / Math.max(1, frameCount - 1)) * (WIDTH - LEFT - RIGHT);
}

/** A step of 1, 2 or 5 times a power of ten that gives at most `most` marks. */
function niceStep(range: number, most: number): number {
  const rough = range / Math.max(1, most);
  if (!(rough > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  for (const k of [1, 2, 5, 10]) if (k * power >= rough * (1 - 1e-9)) return k * power;
  return 10 * power;
}

function timeAxis(frameCount: number, dt: number, y: number): string {
  const duration = (frameCount - 1) * dt;
  const step = niceStep(duration, 10);
  const parts: string[] = [];
  for (let t = 0; t <= duration + 1e-9; t += step) {
    const x = n(xOf(t / dt, frameCount));
    parts.push(
      `<line class="tick" x1="${x}" x2="${x}" y1="${y}" y2="${y + 4}"/><text class="axis" x="${x}" y="${y + 17}" text-anchor="middle">${Number(t.toFixed(3))} s</text>`,
    );
  }
  return `<line class="tick" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${y}" y2="${y}"/>${parts.join('')}`;
}

/** When each heel and ball stands; contacts that travel too far are hatched and marked with ✕. */
export function contactChart(
  plants: readonly PlantRecord[],
  frameCount: number,
  dt: number,
  travelThreshold: number,
): string {
  const rows = [
    { side: 'left', point: 'heel' },
    { side: 'left', point: 'ball' },
    { side: 'right', point: 'heel' },
    { side: 'right', point: 'ball' },
  ] as const;
  const rowHeight = 24;
  const height = rows.length * rowHeight + 8 + BOTTOM;
  const parts: string[] = [];
  rows.forEach(({ side, point }, i) => {
    const y = 4 + i * rowHeight;
    parts.push(`<text class="axis" x="${LEFT - 8}" y="${y + 15}" text-anchor="end">${side} ${point}</text>`);
    parts.push(
      `<rect class="lane" x="${LEFT}" y="${y + 3}" width="${WIDTH - LEFT - RIGHT}" height="${rowHeight - 8}" rx="3"/>`,
    );
    for (const plant of plants) {
      if (plant.side !== side || plant.point !== point) continue;
      const fails = plant.travel > travelThreshold;
      const x = xOf(plant.frames[0], frameCount);
      const width = Math.max(2, xOf(plant.frames[1], frameCount) - x);
      const text = `${side} ${point}, frames ${plant.frames[0]} to ${plant.frames[1]}: travels ${(plant.travel * 100).toFixed(2)} % of leg`;
      parts.push(
        `<g><title>${text}</title><rect class="contact ${side}${fails ? ' bad' : ''}" x="${n(x)}" y="${y + 3}" width="${n(width)}" height="${rowHeight - 8}" rx="3"/>${fails ? `<text class="cross" x="${n(x + width / 2)}" y="${y + 16}" text-anchor="middle">✕</text>` : ''}</g>`,
      );
    }
  });
  const axis = timeAxis(frameCount, dt, height - BOTTOM + 2);
  return `<svg class="chart" viewBox="0 0 ${WIDTH} ${height}" role="img" aria-label="Contacts of heels and balls over time">${parts.join('')}${axis}</svg>`;
}

export interface Curve {
  label: string;
  /** Style: strong or faint, drawn through or dashed. */
  kind: 'left' | 'right' | 'source';
  values: Float64Array;
}

export interface CurveChartOptions {
  label: string;
  frameCount: number;
  dt: number;
  unit: string;
  /** Lines that should not be crossed. */
  limits: { value: number; label: string }[];
  /** Shaded: what is allowed. */
  band?: { min: number; max: number };
  /** The chart holds at least this range. */
  least?: [number, number];
}

/** Curves over time. A point of the drawing is the largest value of its frames, so that no peak is lost. */
export function curveChart(curves: readonly Curve[], options: CurveChartOptions): string {
  const { frameCount, dt, limits, band, unit } = options;
  const height = 150;
  let [low, high] = options.least ?? [0, 0];
  for (const { values } of curves)
    for (const value of values) {
      if (Number.isNaN(value)) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  for (const { value } of limits) {
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  const pad = (high - low || 1) * 0.06;
  if (low < 0) low -= pad;
  high += pad;
  const bottom = height - BOTTOM;
  const yOf = (value: number) => bottom - ((value - low) / (high - low)) * (bottom - 8);
  const parts: string[] = [];
  if (band) {
    const top = yOf(Math.min(high, band.max));
    parts.push(
      `<rect class="band" x="${LEFT}" y="${n(top)}" width="${WIDTH - LEFT - RIGHT}" height="${n(yOf(Math.max(low, band.min)) - top)}"/>`,
    );
  }
  const step = niceStep(high - low, 4);
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) {
    const y = n(yOf(value));
    parts.push(
      `<line class="grid" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${y}" y2="${y}"/><text class="axis" x="${LEFT - 8}" y="${n(yOf(value) + 4)}" text-anchor="end">${Number(value.toPrecision(4))}${unit}</text>`,
    );
  }
  for (const { value, label } of limits) {
    const y = yOf(value);
    parts.push(
      `<line class="limit" x1="${LEFT}" x2="${WIDTH - RIGHT}" y1="${n(y)}" y2="${n(y)}"/><text class="limit-text" x="${WIDTH - RIGHT - 4}" y="${n(y < 22 ? y + 13 : y - 4)}" text-anchor="end">${escapeXml(label)}</text>`,
    );
  }
  for (const { label, kind, values } of curves)
    for (const points of polylines(values, frameCount, yOf))
      parts.push(`<polyline class="curve ${kind}" points="${points}"><title>${escapeXml(label)}</title></polyline>`);
  return `<svg class="chart" viewBox="0 0 ${WIDTH} ${height}" role="img" aria-label="${escapeXml(options.label)}">${parts.join('')}${timeAxis(frameCount, dt, bottom)}</svg>`;
}

/** Runs of numbers as polylines; NaN breaks them. */
function polylines(values: Float64Array, frameCount: number, yOf: (value: number) => number): string[] {
  const stride = Math.max(1, Math.ceil(values.length / MOST_POINTS));
  const lines: string[] = [];
  let current: string[] = [];
  const close = () => {
    if (current.length === 1) current.push(current[0]!);
    if (current.length > 0) lines.push(current.join(' '));
    current = [];
  };
  for (let f = 0; f < values.length; f += stride) {
    let peak = Number.NaN;
    let at = f;
    for (let i = f; i < Math.min(values.length, f + stride); i++) {
      const value = values[i]!;
      if (!Number.isNaN(value) && !(Math.abs(value) <= Math.abs(peak))) {
        peak = value;
        at = i;
      }
    }
    if (Number.isNaN(peak)) close();
    else current.push(`${n(xOf(at, frameCount))},${n(yOf(peak))}`);
  }
  close();
  return lines;
}

export function rangeLimits(range: JointRange): CurveChartOptions['limits'] {
  const limits = [{ value: range.max, label: `${range.max}° ${range.positive}` }];
  if (range.min < 0) limits.push({ value: range.min, label: `${range.min}°` });
  return limits;
}
