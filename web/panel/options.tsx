import { useId } from 'preact/hooks';
import { LIMBS, type Limb, RETARGET_DEFAULTS, type RootMotion } from '../../src/index.ts';
import { OPTIONS, type Options } from '../model/session.ts';
import { change, lastTurn, session } from '../model/store.ts';
import { frame, frameDuration } from '../model/view.ts';

const LIMB_NAMES: Record<Limb, string> = {
  leftLeg: 'Left leg',
  rightLeg: 'Right leg',
  leftArm: 'Left arm',
  rightArm: 'Right arm',
};

/** How the motion is put onto the character. */
export function OptionsPanel() {
  const { options, limbs } = session.value;
  const set = (what: string, part: Partial<Options>, joinsWith?: string): void =>
    change(what, (state) => ({ ...state, options: { ...state.options, ...part } }), joinsWith);
  return (
    <div class="options" data-turn={lastTurn.value?.ms} data-turns={lastTurn.value?.count}>
      <section>
        <h2>Feet and hands that rest</h2>
        <Check
          label="Hold feet that stand"
          checked={options.contact}
          set={(contact) => set(contact ? 'hold feet' : 'feet free', { contact })}
        />
        <Check
          label="Keep hands on what they rest on"
          checked={options.hands}
          set={(hands) => set('hands', { hands })}
        />
        <Range
          label="Ease into and out of a plant"
          value={options.ramp}
          min={0.02}
          max={0.6}
          step={0.02}
          usual={OPTIONS.ramp}
          show={(value) => `${value.toFixed(2)} s`}
          set={(ramp) => set('ease of plants', { ramp }, 'ramp')}
        />
      </section>
      <section>
        <h2>Way over the floor</h2>
        <label class="pick">
          <span>Root motion</span>
          <select
            value={options.rootMotion}
            onChange={({ currentTarget: { value } }) => set('root motion', { rootMotion: value as RootMotion })}
          >
            <option value="keep">stays with the hips</option>
            <option value="in-place">is taken out</option>
            <option value="extract">goes to the root joint</option>
          </select>
        </label>
      </section>
      <section>
        <h2>Limbs</h2>
        <p class="quiet">Keep the performer’s angles, or bring hand and foot to the performer’s place, scaled.</p>
        {LIMBS.map((limb) => (
          <Range
            key={limb}
            label={LIMB_NAMES[limb]}
            value={limbs[limb]?.reach ?? RETARGET_DEFAULTS.reach[limb]}
            min={0}
            max={1}
            step={0.05}
            usual={RETARGET_DEFAULTS.reach[limb]}
            show={(value) => (value === 0 ? 'angles' : value === 1 ? 'place' : `${Math.round(value * 100)} % place`)}
            set={(reach) =>
              change(
                `reach of the ${LIMB_NAMES[limb].toLowerCase()}`,
                (state) => ({ ...state, limbs: { ...state.limbs, [limb]: { reach } } }),
                `reach ${limb}`,
              )
            }
          />
        ))}
      </section>
      <section>
        <h2>Joints</h2>
        <Check
          label="Keep joints in their published ranges (for animation, not for medical use)"
          checked={options.enforceRanges}
          set={(enforceRanges) => set('ranges of motion', { enforceRanges })}
        />
        <Check
          label="Place pole targets along knees and elbows"
          checked={options.poles}
          set={(poles) => set('pole targets', { poles })}
        />
        <Range
          label="Let limbs grow to reach"
          value={options.allowStretch}
          min={0}
          max={20}
          step={1}
          usual={0}
          show={(value) => (value === 0 ? 'never' : `up to ${value} %`)}
          set={(allowStretch) => set('stretch', { allowStretch }, 'stretch')}
        />
      </section>
      <section>
        <h2>The motion itself</h2>
        <Trim />
        <Check
          label="Make up capture jumps and gaps"
          checked={options.repair}
          set={(repair) => set('repair', { repair })}
        />
        <Check label="Exchange left and right" checked={options.mirror} set={(mirror) => set('mirror', { mirror })} />
        <Check label="Close the cycle: end as it begins" checked={options.loop} set={(loop) => set('loop', { loop })} />
        <Range
          label="Smooth"
          value={options.lowPass ?? 20}
          min={2}
          max={20}
          step={0.5}
          usual={20}
          show={(value) => (value >= 20 ? 'not at all' : `below ${value} Hz`)}
          set={(value) => set('smoothing', { lowPass: value >= 20 ? null : value }, 'smooth')}
        />
      </section>
      <section>
        <h2>Keys in the file</h2>
        <Check
          label="A key at every frame"
          checked={options.keepAllKeys}
          set={(keepAllKeys) => set('keys', { keepAllKeys })}
        />
        <Check
          label="Rotations in 16 bits: half the bytes, 0.0035° off at most"
          checked={options.int16}
          set={(int16) => set('16-bit rotations', { int16 })}
        />
      </section>
      {lastTurn.value !== null && (
        <p class="quiet small">Last change shown after {Math.round(lastTurn.value.ms)} ms.</p>
      )}
    </div>
  );
}

/** The part of the clip that is used, in seconds; the ends can be taken from the frame that is shown. */
function Trim() {
  const { from, to } = session.value.options;
  const start = from ?? 0;
  const now = start + frame.value * frameDuration.value;
  const set = (part: Partial<Options>): void =>
    change('part of the clip', (state) => ({ ...state, options: { ...state.options, ...part } }));
  const read = (text: string): number | null => (text === '' || !(Number(text) >= 0) ? null : Number(text));
  return (
    <div class="trim">
      <label>
        <span>From</span>
        <input
          type="number"
          min="0"
          step="any"
          placeholder="start"
          value={from ?? ''}
          onChange={({ currentTarget }) => set({ from: read(currentTarget.value) })}
        />
      </label>
      <label>
        <span>To</span>
        <input
          type="number"
          min="0"
          step="any"
          placeholder="end"
          value={to ?? ''}
          onChange={({ currentTarget }) => set({ to: read(currentTarget.value) })}
        />
      </label>
      <span>s</span>
      <p class="acts">
        <button type="button" onClick={() => set({ from: Number(now.toFixed(3)) })}>
          Begin at this frame
        </button>
        <button type="button" onClick={() => set({ to: Number(now.toFixed(3)) })}>
          End at this frame
        </button>
        {(from !== null || to !== null) && (
          <button type="button" onClick={() => set({ from: null, to: null })}>
            All of it
          </button>
        )}
      </p>
    </div>
  );
}

function Check({ label, checked, set }: { label: string; checked: boolean; set: (on: boolean) => void }) {
  return (
    <label class="check">
      <input type="checkbox" checked={checked} onChange={({ currentTarget }) => set(currentTarget.checked)} />
      <span>{label}</span>
    </label>
  );
}

interface RangeProps {
  label: string;
  value: number;
  min: number;
  max: number;
  step: number;
  usual: number;
  show: (value: number) => string;
  set: (value: number) => void;
}

function Range({ label, value, min, max, step, usual, show, set }: RangeProps) {
  const id = useId();
  return (
    <div class="range">
      <label for={id}>{label}</label>
      <span class="range-value">{show(value)}</span>
      <input
        id={id}
        type="range"
        min={min}
        max={max}
        step={step}
        value={value}
        aria-valuetext={show(value)}
        onInput={({ currentTarget }) => set(Number(currentTarget.value))}
        onDblClick={() => set(usual)}
      />
    </div>
  );
}
