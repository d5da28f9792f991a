import { ROLES, type Role } from '../../src/index.ts';
import { roleName, roleOf } from '../model/pairing.ts';
import { clearCorrections, correctionOf, mirrors, setCorrection } from '../model/posture.ts';
import { receiver, session } from '../model/store.ts';
import { picked } from '../model/view.ts';

const ANGLES = [
  ['forward', 'Forward'],
  ['outward', 'Outward'],
  ['twist', 'Twist'],
] as const;

/** Rest poses brought to one posture, and what is corrected of it by hand. */
export function PosturePanel() {
  const data = receiver.value;
  if (!data) return null;
  const role = picked.value?.figure === 'target' ? roleOf('target', picked.value.joint) : null;
  const roles = ROLES.filter((each) => data.roles[each] !== undefined);
  const corrected = roles.filter((each) => session.value.corrections[each]);
  return (
    <div class="posture">
      <p class="quiet">
        Both figures stand in the T-pose that all motion is measured from. Where the character does not, drag the far
        end of a limb to swing it, or the ring to twist it.
      </p>
      <label class="pick">
        <span>Joint</span>
        <select
          value={role ?? ''}
          onChange={({ currentTarget: { value } }) => {
            const joint = data.roles[value as Role];
            if (joint !== undefined) picked.value = { figure: 'target', joint };
          }}
        >
          <option value="">choose, or click in the picture</option>
          {roles.map((each) => (
            <option key={each} value={each}>
              {roleName(each)}
              {session.value.corrections[each] ? ' ✎' : ''}
            </option>
          ))}
        </select>
      </label>
      {role && <Angles role={role} />}
      <label class="check">
        <input
          type="checkbox"
          checked={mirrors.value}
          onChange={({ currentTarget }) => {
            mirrors.value = currentTarget.checked;
          }}
        />
        <span>The other side too</span>
      </label>
      {corrected.length > 0 && (
        <section class="decisions">
          <h3>Corrected by you</h3>
          <ul>
            {corrected.map((each) => {
              const { forward, outward, twist } = correctionOf(each);
              return (
                <li key={each}>
                  {roleName(each)}: {forward}° forward, {outward}° outward, {twist}° twist
                </li>
              );
            })}
          </ul>
          <p class="acts">
            <button type="button" onClick={clearCorrections}>
              Leave all as measured
            </button>
          </p>
        </section>
      )}
    </div>
  );
}

function Angles({ role }: { role: Role }) {
  const now = correctionOf(role);
  return (
    <fieldset class="angles">
      <legend>{roleName(role)}</legend>
      {ANGLES.map(([field, label]) => (
        <label key={field} class="angle">
          <span>{label}</span>
          <input
            type="range"
            min="-90"
            max="90"
            step="0.5"
            value={now[field]}
            aria-valuetext={`${now[field]} degrees`}
            onInput={({ currentTarget }) => setCorrection(role, { ...now, [field]: Number(currentTarget.value) })}
          />
          <input
            type="number"
            min="-180"
            max="180"
            step="0.5"
            value={now[field]}
            aria-label={`${label}, degrees`}
            onChange={({ currentTarget }) => setCorrection(role, { ...now, [field]: Number(currentTarget.value) || 0 })}
          />
        </label>
      ))}
      <button type="button" onClick={() => setCorrection(role, { forward: 0, outward: 0, twist: 0 })}>
        As measured
      </button>
    </fieldset>
  );
}
