import { useEffect, useRef } from 'preact/hooks';
import uPlot from 'uplot';
import 'uplot/dist/uPlot.min.css';
import { motion, performer, receiver } from '../model/store.ts';
import { curve, isDark } from '../model/view.ts';
import { coloursFor } from '../stage/colours.ts';
import { type Chart, chartOf, MEASURES, type MeasureId } from './series.ts';

const HEIGHT = 84;

/** Curves of the chosen measure: performer dashed, character solid, the threshold dotted. */
export function Curves() {
  const box = useRef<HTMLDivElement>(null);
  const data = performer.value && receiver.value && motion.value;
  const chosen = curve.value as MeasureId;
  const dark = isDark.value;
  useEffect(() => {
    if (!data || !box.current) return;
    const chart = chartOf(chosen, performer.value!, receiver.value!, motion.value!);
    return draw(box.current, chart, dark);
  }, [data, chosen, dark]);
  const measure = MEASURES.find(({ id }) => id === chosen)!;
  return (
    <div class="curves">
      <div class="lane-name">
        <select
          aria-label="Curve"
          value={chosen}
          onChange={({ currentTarget }) => {
            curve.value = currentTarget.value;
          }}
        >
          {MEASURES.map(({ id, title, unit }) => (
            <option key={id} value={id}>
              {title}, {unit}
            </option>
          ))}
        </select>
        <span class="curve-key">
          <i class="solid" /> character <i class="dashed" /> performer
        </span>
      </div>
      <div ref={box} class="plot" role="img" aria-label={`${measure.title} over time`} />
    </div>
  );
}

function draw(box: HTMLElement, { seconds, curves, limit, unit }: Chart, dark: boolean): () => void {
  const colours = coloursFor(dark);
  const lines: uPlot.Series[] = curves.map(({ side, figure }) => ({
    stroke: colours[side],
    width: figure === 'target' ? 2 : 1.25,
    dash: figure === 'target' ? [] : [5, 4],
    points: { show: false },
  }));
  const values: uPlot.AlignedData = [seconds, ...curves.map((each) => each.values)];
  if (limit) {
    lines.push({ stroke: colours.mark, width: 1.25, dash: [2, 3], points: { show: false } });
    (values as unknown[]).push(new Float64Array(seconds.length).fill(limit.value));
  }
  const plot = new uPlot(
    {
      width: Math.max(50, box.clientWidth),
      height: HEIGHT,
      legend: { show: false },
      cursor: { show: false },
      padding: [6, 0, 4, 0],
      scales: { x: { time: false } },
      series: [{}, ...lines],
      axes: [
        { show: false },
        {
          side: 1,
          size: 0,
          stroke: colours.quiet,
          font: '11px system-ui',
          grid: { stroke: colours.grid, width: 1 },
          ticks: { show: false },
          gap: -34,
          values: (_, splits) => splits.map((value) => `${value}${unit === '°' ? '°' : ''}`),
          space: 26,
        },
      ],
    },
    values,
    box,
  );
  const watch = new ResizeObserver(() => plot.setSize({ width: Math.max(50, box.clientWidth), height: HEIGHT }));
  watch.observe(box);
  return () => {
    watch.disconnect();
    plot.destroy();
  };
}
