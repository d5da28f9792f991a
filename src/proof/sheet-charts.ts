import type { JointRange } from './joint-angles.ts';
import type { PlantRecord } from './measure.ts';
import { escapeXml } from './report-junit.ts';

/**
 * A chart is drawn in a square of this many units a side and stretched to the width of the page; its words stand beside
 * and above it as text, so that they keep their size on a phone.
 */
const SPAN = 1000;
/** More points than this are finer than a pixel of the chart. */
const MOST_POINTS = 700;
/** Marks on the time axis: as many as have room on a phone. */
const MOST_TIMES = 6;

function n(value: number): string {
  return value.toFixed(1);
}

/** A place along the width or the height, in percent. */
function percent(units: number): string {
  return `${(units / (SPAN / 100)).toFixed(2)}%`;
}

function xOf(frame: number, frameCount: number): number {
  return (frame / Math.max(1, frameCount - 1)) * SPAN;
}

/** A step of 1, 2 or 5 times a power of ten that gives at most `most` marks. */
function niceStep(range: number, most: number): number {
  const rough = range / Math.max(1, most);
  if (!(rough > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(rough));
  for (const k of [1, 2, 5, 10]) if (k * power >= rough * (1 - 1e-9)) return k * power;
  return 10 * power;
}

interface ChartParts {
  label: string;
  frameCount: number;
  dt: number;
  /** Height of the plot in pixels. */
  height: number;
  /** Words left of the plot, at units from its top. */
  left: { at: number; text: string }[];
  /** What is drawn in the plot, in units. */
  plot: string;
  /** Words in the plot, as HTML. */
  over: string;
}

function layOut({ label, frameCount, dt, height, left, plot, over }: ChartParts): string {
  const duration = (frameCount - 1) * dt;
  const step = niceStep(duration, MOST_TIMES);
  const times: string[] = [];
  const ticks: string[] = [];
  for (let t = 0; t <= duration + 1e-9; t += step) {
    const x = xOf(t / dt, frameCount);
    ticks.push(`<line class="tick" x1="${n(x)}" x2="${n(x)}" y1="${SPAN}" y2="${SPAN - 30}"/>`);
    times.push(`<span style="left:${percent(x)}">${Number(t.toFixed(3))} s</span>`);
  }
  const names = left.map(({ at, text }) => `<span style="top:${percent(at)}">${text}</span>`);
  return `<div class="chart"><div class="values" aria-hidden="true">${names.join('')}</div><div class="plot" style="height:${height}px"><svg viewBox="0 0 ${SPAN} ${SPAN}" preserveAspectRatio="none" role="img" aria-label="${escapeXml(label)}">${plot}${ticks.join('')}</svg>${over}</div><div class="times" aria-hidden="true">${times.join('')}</div></div>`;
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
  const rowHeight = SPAN / rows.length;
  const bar = rowHeight * 0.68;
  const parts: string[] = [];
  const crosses: string[] = [];
  rows.forEach(({ side, point }, i) => {
    const y = i * rowHeight + (rowHeight - bar) / 2;
    parts.push(`<rect class="lane" x="0" y="${n(y)}" width="${SPAN}" height="${n(bar)}"/>`);
    for (const plant of plants) {
      if (plant.side !== side || plant.point !== point) continue;
      const fails = plant.travel > travelThreshold;
      const x = xOf(plant.frames[0], frameCount);
      const width = Math.max(2, xOf(plant.frames[1], frameCount) - x);
      const text = `${side} ${point}, frames ${plant.frames[0]} to ${plant.frames[1]}: travels ${(plant.travel * 100).toFixed(2)} % of leg`;
      parts.push(
        `<g><title>${text}</title><rect class="contact ${side}${fails ? ' bad' : ''}" x="${n(x)}" y="${n(y)}" width="${n(width)}" height="${n(bar)}"/></g>`,
      );
      if (fails)
        crosses.push(
          `<span class="cross" style="left:${percent(x + width / 2)};top:${percent(y + bar / 2)}" aria-hidden="true">✕</span>`,
        );
    }
  });
  return layOut({
    label: 'Contacts of heels and balls over time',
    frameCount,
    dt,
    height: rows.length * 24,
    left: rows.map(({ side, point }, i) => ({ at: (i + 0.5) * rowHeight, text: `${side} ${point}` })),
    plot: parts.join(''),
    over: crosses.join(''),
  });
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
  const yOf = (value: number) => SPAN - ((value - low) / (high - low)) * SPAN;
  const parts: string[] = [];
  if (band) {
    const top = yOf(Math.min(high, band.max));
    parts.push(
      `<rect class="band" x="0" y="${n(top)}" width="${SPAN}" height="${n(yOf(Math.max(low, band.min)) - top)}"/>`,
    );
  }
  const line = (kind: string, value: number) => {
    const y = n(yOf(value));
    return `<line class="${kind}" x1="0" x2="${SPAN}" y1="${y}" y2="${y}"/>`;
  };
  const step = niceStep(high - low, 4);
  const left: ChartParts['left'] = [];
  for (let value = Math.ceil(low / step) * step; value <= high; value += step) {
    parts.push(line('grid', value));
    left.push({ at: yOf(value), text: `${Number(value.toPrecision(4))}${unit}` });
  }
  const names: string[] = [];
  for (const { value, label } of limits) {
    const y = yOf(value);
    parts.push(line('limit', value));
    names.push(
      `<span class="limit-text${y < SPAN / 5 ? ' under' : ''}" style="top:${percent(y)}">${escapeXml(label)}</span>`,
    );
  }
  for (const { label, kind, values } of curves)
    for (const points of polylines(values, frameCount, yOf))
      parts.push(`<polyline class="curve ${kind}" points="${points}"><title>${escapeXml(label)}</title></polyline>`);
  const { label } = options;
  return layOut({ label, frameCount, dt, height: 124, left, plot: parts.join(''), over: names.join('') });
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
