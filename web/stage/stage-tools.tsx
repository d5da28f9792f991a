import type { Signal } from '@preact/signals';
import { before, motion, performer } from '../model/store.ts';
import {
  aids,
  arrangement,
  type Camera,
  camera,
  follows,
  type Heat,
  heat,
  showsBefore,
  showsRest,
  stance,
} from '../model/view.ts';

const CAMERAS: [Camera, string][] = [
  ['front', 'Front'],
  ['side', 'Side'],
  ['top', 'Top'],
];

/** Controls that lie in the picture's corners: how it is looked at. */
export function StageTools() {
  return (
    <>
      <div class="stage-tools" role="toolbar" aria-label="View">
        <Toggle
          on={arrangement.value === 'over'}
          set={(on) => (arrangement.value = on ? 'over' : 'beside')}
          label="Overlaid"
        />
        <Toggle on={follows.value} set={(on) => (follows.value = on)} label="Follow" />
        <Toggle on={showsRest.value} set={(on) => (showsRest.value = on)} label="Rest pose" />
        <span class="tool-gap" />
        {CAMERAS.map(([name, label]) => (
          <button key={name} type="button" class="tool" onClick={() => look(name)}>
            {label}
          </button>
        ))}
        <span class="tool-gap" />
        <AidToggle signal={aids.joints} label="Joints" />
        <AidToggle signal={aids.footprints} label="Footprints" />
        <AidToggle signal={aids.trails} label="Trails" />
        <AidToggle signal={aids.errors} label="Reach" />
        <label>
          <span class="hidden">Heat on the mesh</span>
          <select
            class="tool"
            value={heat.value}
            onChange={({ currentTarget }) => {
              heat.value = currentTarget.value as Heat;
              if (heat.value === 'weight') aids.joints.value = true;
            }}
          >
            <option value="none">own colours</option>
            <option value="stretch">stretch of the skin</option>
            <option value="weight">weights of the chosen joint</option>
          </select>
        </label>
        {before.value && <Toggle on={showsBefore.value} set={(on) => (showsBefore.value = on)} label="Before" />}
      </div>
      <Legend />
    </>
  );
}

function look(from: Camera): void {
  // Chosen twice it looks anew, since the figures may have gone on.
  camera.value = 'free';
  camera.value = from;
}

function AidToggle({ signal, label }: { signal: Signal<boolean>; label: string }) {
  return <Toggle on={signal.value} set={(on) => (signal.value = on)} label={label} />;
}

function Toggle({ on, set, label }: { on: boolean; set: (on: boolean) => void; label: string }) {
  return (
    <button type="button" class="tool" aria-pressed={on} onClick={() => set(!on)}>
      {label}
    </button>
  );
}

/** What colours and shapes mean. */
function Legend() {
  const scale = motion.value?.scale;
  if (!performer.value || scale === undefined) return null;
  const inMotion = stance.value === 'motion';
  return (
    <p class="legend">
      <span class="key key-left" /> left, round
      <span class="key key-right" /> right, square
      <span class="legend-note">
        {inMotion ? `performer drawn at ${scale.toFixed(2)} ×: legs equally long` : 'performer drawn equally tall'}
      </span>
    </p>
  );
}
