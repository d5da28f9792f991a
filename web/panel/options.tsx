import { useId } from 'preact/hooks';
import { LIMBS, type Limb, RETARGET_DEFAULTS, type RootMotion } from '../../src/index.ts';
import { OPTIONS, type Options } from '../model/session.ts';
import { change, lastTurn, session } from '../model/store.ts';

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
        <h2>Feet on the floor</h2>
        <Check
          label="Hold feet that stand"
          checked={options.contact}
          set={(contact) => set(contact ? 'hold feet' : 'feet free', { contact })}
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
