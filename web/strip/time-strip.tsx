import { effect, useComputed } from '@preact/signals';
import { useEffect, useRef } from 'preact/hooks';
import { SIDES } from '../../src/index.ts';
import { proof } from '../model/store.ts';
import { frame, frameCount, frameDuration, goTo, isPlaying, range, speed, stepBy } from '../model/view.ts';
import { goToPlace } from '../panel/proof.tsx';
import { Curves } from './curves.tsx';

const SPEEDS = [0.1, 0.25, 0.5, 1, 2];

/** Time from left to right: play, contacts, curve, and marks where something fails. */
export function TimeStrip() {
  return (
    <section class="strip" aria-label="Time">
      <Transport />
      <div class="lanes">
        <Contacts />
        <Fails />
        <Curves />
        <Cursor />
      </div>
    </section>
  );
}

function Transport() {
  const seconds = useComputed(() => (frame.value * frameDuration.value).toFixed(2));
  return (
    <div class="transport" role="toolbar" aria-label="Playing">
      <button type="button" aria-label="A frame back" onClick={() => stepBy(-1)}>
        ‹
      </button>
      <button
        type="button"
        class="play"
        aria-label={isPlaying.value ? 'Stop' : 'Play'}
        onClick={() => {
          isPlaying.value = !isPlaying.value;
        }}
      >
        {isPlaying.value ? '❚❚' : '▶'}
      </button>
      <button type="button" aria-label="A frame on" onClick={() => stepBy(1)}>
        ›
      </button>
      <span class="now">
        <b>{frame}</b> of {Math.max(0, frameCount.value - 1)} · {seconds} s
      </span>
      <label class="speed">
        <span class="hidden">Speed</span>
        <select value={speed.value} onChange={({ currentTarget }) => (speed.value = Number(currentTarget.value))}>
          {SPEEDS.map((value) => (
            <option key={value} value={value}>
              {value} ×
            </option>
          ))}
        </select>
      </label>
      <button
        type="button"
        aria-pressed={range.value !== null}
        onClick={() => {
          const half = Math.max(10, Math.round(frameCount.value / 10));
          const from = Math.max(0, frame.value - half);
          range.value = range.value ? null : [from, Math.min(frameCount.value - 1, from + 2 * half)];
        }}
      >
        {range.value ? `Loop ${range.value[0]}–${range.value[1]}` : 'Loop here'}
      </button>
    </div>
  );
}

/** Share of the clip's length, in per cent. */
const share = (f: number): number => (100 * f) / Math.max(1, frameCount.value - 1);

function Contacts() {
  const intervals = proof.value?.contacts.intervals ?? [];
  return (
    <>
      {SIDES.flatMap((side) =>
        (['heel', 'ball'] as const).map((point) => (
          <div key={`${side}${point}`} class="lane">
            <span class="lane-name">
              {side} {point}
            </span>
            {intervals
              .filter((interval) => interval.side === side && interval.point === point)
              .map(({ frames: [first, last] }) => (
                <span
                  key={first}
                  class={`bar ${side}`}
                  style={{ left: `${share(first)}%`, width: `${share(last - first)}%` }}
                />
              ))}
          </div>
        )),
      )}
    </>
  );
}

function Fails() {
  const places = (proof.value?.measures ?? []).flatMap(({ verdict, where, id }) =>
    verdict === 'fail' ? where.map((place) => ({ place, id })) : [],
  );
  return (
    <div class="lane fails">
      <span class="lane-name">{places.length === 0 ? 'nothing fails' : 'fails'}</span>
      {places.map(({ place, id }) => (
        <button
          key={`${id}${place.role}${place.worstFrame}`}
          type="button"
          class="fail-mark"
          style={{ left: `${share(place.worstFrame)}%` }}
          aria-label={`${id}, ${place.joint}, frame ${place.worstFrame}`}
          title={`${id}: ${place.joint}, frame ${place.worstFrame}`}
          onClick={() => goToPlace(place)}
        >
          ✕
        </button>
      ))}
    </div>
  );
}

function Cursor() {
  const line = useRef<HTMLDivElement>(null);
  const input = useRef<HTMLInputElement>(null);
  useEffect(
    () =>
      effect(() => {
        const at = share(frame.value);
        if (line.current) line.current.style.left = `${at}%`;
        if (input.current) input.current.value = String(frame.value);
      }),
    [],
  );
  return (
    <div class="cursor-area">
      <div ref={line} class="cursor" />
      <input
        ref={input}
        class="scrub"
        type="range"
        min="0"
        max={Math.max(1, frameCount.value - 1)}
        step="1"
        aria-label="Frame"
        onInput={({ currentTarget }) => {
          isPlaying.value = false;
          goTo(Number(currentTarget.value));
        }}
      />
    </div>
  );
}
