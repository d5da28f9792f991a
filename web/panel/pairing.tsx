import { useSignal } from '@preact/signals';
import { PARENT_ROLE, ROLES, type Role, SURE, sideOf } from '../../src/index.ts';
import {
  dataOf,
  decide,
  forbidJoint,
  lockRole,
  nameOf,
  releaseRole,
  roleName,
  roleOf,
  setRole,
  sideOfSession,
  toggleList,
} from '../model/pairing.ts';
import { motion, session } from '../model/store.ts';
import { type FigureName, picked } from '../model/view.ts';
import { MappingFile } from './mapping-file.tsx';

/** The limbs as lines from root to tip. */
const LINES: [string, Role[]][] = (
  [
    ['Trunk and head', (role) => sideOf(role) === null || /Eye$/.test(role)],
    ['Left arm', (role) => /^left(Shoulder|UpperArm|LowerArm|Hand)$/.test(role)],
    ['Right arm', (role) => /^right(Shoulder|UpperArm|LowerArm|Hand)$/.test(role)],
    ['Left leg', (role) => /^left(UpperLeg|LowerLeg|Foot|Toes)$/.test(role)],
    ['Right leg', (role) => /^right(UpperLeg|LowerLeg|Foot|Toes)$/.test(role)],
    ['Left fingers', (role) => /^left(Thumb|Index|Middle|Ring|Little)/.test(role)],
    ['Right fingers', (role) => /^right(Thumb|Index|Middle|Ring|Little)/.test(role)],
  ] as [string, (role: Role) => boolean][]
).map(([title, fits]) => [title, ROLES.filter(fits)]);

type State = 'sure' | 'unsure' | 'half' | 'none';

const STATES: Record<State, { mark: string; says: string }> = {
  sure: { mark: '✓', says: 'sure' },
  unsure: { mark: '?', says: 'not sure' },
  half: { mark: '◐', says: 'only one figure has it' },
  none: { mark: '·', says: 'neither figure has it' },
};

function stateOf(role: Role): State {
  const source = dataOf('source')?.readings[role];
  const target = dataOf('target')?.readings[role];
  if (!source && !target) return 'none';
  if (!source || !target) return 'half';
  return Math.min(source.confidence, target.confidence) >= SURE ? 'sure' : 'unsure';
}

/** Who is paired with whom: in the picture by drawing, here by reading and by keys. */
export function PairingPanel() {
  const chosen = useSignal<Role | null>(null);
  const role = picked.value ? roleOf(picked.value.figure, picked.value.joint) : null;
  const shown = role ?? (picked.value ? null : chosen.value);
  const choose = (next: Role): void => {
    chosen.value = next;
    const target = dataOf('target')?.roles[next];
    const source = dataOf('source')?.roles[next];
    if (target !== undefined) picked.value = { figure: 'target', joint: target };
    else if (source !== undefined) picked.value = { figure: 'source', joint: source };
    else picked.value = null;
  };
  const { unsure = [], pairs = [], missing = [] } = motion.value?.pairing ?? {};
  return (
    <div class="pairing">
      <p class="quiet">
        Draw from a joint of one figure to a joint of the other to pair them. Point at one to see its partner.
      </p>
      {unsure.length > 0 ? (
        <Unsure roles={unsure} shown={shown} choose={choose} />
      ) : (
        <p class="all-sure">
          <span aria-hidden="true">✓ </span>All {pairs.length} pairs are sure
          {missing.length > 0 ? `; without ${missing.map(roleName).join(', ')}` : ''}.
        </p>
      )}
      {picked.value && !role && <Spare />}
      {LINES.map(([title, roles]) => (
        <div key={title}>
          <Line title={title} roles={roles} shown={shown} choose={choose} />
          {shown && roles.includes(shown) && <Details role={shown} />}
        </div>
      ))}
      <SpareJoints />
      <Decisions />
      <MappingFile />
    </div>
  );
}

function Unsure({
  roles,
  shown,
  choose,
}: {
  roles: readonly Role[];
  shown: Role | null;
  choose: (role: Role) => void;
}) {
  const at = shown ? roles.indexOf(shown) : -1;
  const next = roles[(at + 1) % roles.length]!;
  return (
    <section class="unsure-first">
      <p>
        <span aria-hidden="true">? </span>
        {roles.length} {roles.length === 1 ? 'pair is' : 'pairs are'} not sure.
      </p>
      <button type="button" onClick={() => choose(next)}>
        {at < 0 ? 'Look at the first' : 'Look at the next'}
      </button>
      {at >= 0 && (
        <button
          type="button"
          onClick={() => {
            lockRole('source', shown!);
            lockRole('target', shown!);
          }}
        >
          This one is right
        </button>
      )}
    </section>
  );
}

/** One limb as chips. Arrow keys walk along it. */
function Line({
  title,
  roles,
  shown,
  choose,
}: {
  title: string;
  roles: readonly Role[];
  shown: Role | null;
  choose: (role: Role) => void;
}) {
  const there = roles.filter((role) => stateOf(role) !== 'none');
  if (there.length === 0) return null;
  const walk = (event: KeyboardEvent): void => {
    const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
    if (!step || !(event.target instanceof HTMLElement)) return;
    const chips = [...event.target.closest('.chips')!.querySelectorAll<HTMLElement>('button')];
    const to = chips[chips.indexOf(event.target) + step];
    if (!to) return;
    event.preventDefault();
    event.stopPropagation();
    to.focus();
    to.click();
  };
  return (
    <section class="line">
      <h3>{title}</h3>
      <div class="chips" role="toolbar" aria-label={title} onKeyDown={walk}>
        {there.map((role) => {
          const state = stateOf(role);
          const isByHand =
            role in (sideOfSession(session.value, 'source').roles ?? {}) ||
            role in (sideOfSession(session.value, 'target').roles ?? {});
          return (
            <button
              key={role}
              type="button"
              class={`chip ${state}`}
              aria-pressed={role === shown}
              title={`${roleName(role)}: ${STATES[state].says}${isByHand ? ', set by you' : ''}`}
              onClick={() => choose(role)}
            >
              <span aria-hidden="true">{isByHand ? '✎' : STATES[state].mark} </span>
              {shortName(role)}
              <span class="hidden">, {isByHand ? 'set by you' : STATES[state].says}</span>
            </button>
          );
        })}
      </div>
    </section>
  );
}

/** A role without its side, and a finger's joints by what sets them apart. */
function shortName(role: Role): string {
  const side = sideOf(role);
  const name = roleName(side ? (role.slice(side.length) as Role) : role).trim();
  return name.toLowerCase();
}

/** One role: both joints, why, and what can be decided about it. */
function Details({ role }: { role: Role }) {
  return (
    <section class="details" aria-label={`The ${roleName(role)}`}>
      <h3>{roleName(role)}</h3>
      <Side figure="source" title="Performer" role={role} />
      <Side figure="target" title="Character" role={role} />
      {PARENT_ROLE[role] && <p class="quiet small">Hangs from the {roleName(PARENT_ROLE[role])} in the standard.</p>}
    </section>
  );
}

function Side({ figure, title, role }: { figure: FigureName; title: string; role: Role }) {
  const data = dataOf(figure);
  if (!data) return null;
  const side = sideOfSession(session.value, figure);
  const reading = data.readings[role];
  const isGiven = role in (side.roles ?? {});
  const isNone = side.roles?.[role] === null;
  return (
    <div class="side">
      <label>
        <span>{title}</span>
        <select
          value={isNone ? 'none' : String(reading?.joint ?? '')}
          onChange={({ currentTarget: { value } }) => {
            if (value === '') releaseRole(figure, role);
            else setRole(figure, role, value === 'none' ? null : Number(value));
          }}
        >
          <option value="">{reading && !isGiven ? 'as evidence has it' : 'leave it to evidence'}</option>
          <option value="none">has none</option>
          {data.skeleton.names.map((name, j) => (
            <option key={`${name}${j}`} value={j}>
              {name}
            </option>
          ))}
        </select>
      </label>
      {reading && (
        <>
          <p class="sureness">
            <meter
              min="0"
              max="1"
              low={SURE}
              high={SURE}
              optimum={1}
              value={reading.confidence}
              aria-label="How sure"
            />
            {isGiven ? 'set by you' : `${Math.round(reading.confidence * 100)} % sure`}
          </p>
          <ul class="evidence">
            {reading.evidence.slice(0, 4).map((sentence) => (
              <li key={sentence}>{sentence}</li>
            ))}
          </ul>
          <p class="acts">
            {isGiven ? (
              <button type="button" onClick={() => releaseRole(figure, role)}>
                Leave to evidence
              </button>
            ) : (
              <button type="button" onClick={() => lockRole(figure, role)}>
                Lock
              </button>
            )}
            <button type="button" onClick={() => forbidJoint(figure, reading.joint, role)}>
              Not this joint
            </button>
            <ListToggle figure={figure} list="hold" joint={reading.joint} label="Hold at rest" />
          </p>
        </>
      )}
    </div>
  );
}

function ListToggle({
  figure,
  list,
  joint,
  label,
}: {
  figure: FigureName;
  list: 'hold' | 'follow';
  joint: number;
  label: string;
}) {
  const held = sideOfSession(session.value, figure)[list] ?? [];
  const name = nameOf(figure, joint);
  const on = held.some((reference) => reference === name || reference.endsWith(`/${name}`));
  return (
    <button type="button" aria-pressed={on} onClick={() => toggleList(figure, list, joint)}>
      {label}
    </button>
  );
}

/** A joint that plays no role. */
function Spare() {
  const { figure, joint } = picked.value!;
  const data = dataOf(figure);
  const helper = data?.helpers.find((other) => other.joint === joint);
  const kinds = {
    twist: 'shares the twist of a limb',
    pole: 'a pole target',
    control: 'a control, or a copy of another joint',
    prop: 'holds a prop',
    extra: 'hair, cloth, face or the like',
  };
  return (
    <section class="details">
      <h3>{nameOf(figure, joint)}</h3>
      <p>
        Plays no role{helper ? `: ${kinds[helper.kind]}` : ''}. Draw from it to a joint of the other figure to give it
        one.
      </p>
      <p class="acts">
        <ListToggle figure={figure} list="hold" joint={joint} label="Hold at rest" />
        {figure === 'target' && <ListToggle figure={figure} list="follow" joint={joint} label="Follow the body" />}
      </p>
    </section>
  );
}

/** Joints that play no role, for those who do not point: choosing one shows it in the picture. */
function SpareJoints() {
  return (
    <details class="spare">
      <summary>Joints without a role</summary>
      {(['source', 'target'] as const).map((figure) => {
        const data = dataOf(figure);
        if (!data) return null;
        const taken = new Set(Object.values(data.roles));
        const spare = data.skeleton.names
          .map((name, joint) => ({ name, joint }))
          .filter(({ joint }) => !taken.has(joint));
        return (
          <div key={figure} class="chips">
            <span class="quiet small">
              {figure === 'source' ? 'Performer' : 'Character'}
              {spare.length === 0 ? ': none' : ''}
            </span>
            {spare.map(({ name, joint }) => (
              <button
                key={joint}
                type="button"
                class="chip"
                aria-pressed={picked.value?.figure === figure && picked.value.joint === joint}
                onClick={() => {
                  picked.value = { figure, joint };
                }}
              >
                {name}
              </button>
            ))}
          </div>
        );
      })}
    </details>
  );
}

/** What was decided by hand so far, to be taken back one by one. */
function Decisions() {
  const lines: { text: string; undo: () => void }[] = [];
  for (const figure of ['source', 'target'] as const) {
    const whose = figure === 'source' ? 'performer' : 'character';
    const side = sideOfSession(session.value, figure);
    for (const [role, joint] of Object.entries(side.roles ?? {}) as [Role, string | null][]) {
      lines.push({
        text: `${whose}: ${roleName(role)} is ${joint ?? 'not there'}`,
        undo: () => releaseRole(figure, role),
      });
    }
    for (const [i, { joint, role }] of (side.forbid ?? []).entries()) {
      lines.push({
        text: `${whose}: ${joint} is not the ${role ? roleName(role) : 'body'}`,
        undo: () =>
          decide(figure, `${joint} allowed again`, (state) => ({
            ...state,
            forbid: state.forbid?.filter((_, k) => k !== i),
          })),
      });
    }
    for (const list of ['hold', 'follow'] as const) {
      for (const name of side[list] ?? []) {
        lines.push({
          text: `${whose}: ${name} ${list === 'hold' ? 'is held at rest' : 'follows the body'}`,
          undo: () =>
            decide(figure, `${name} moves again`, (state) => ({
              ...state,
              [list]: state[list]?.filter((other) => other !== name),
            })),
        });
      }
    }
  }
  if (lines.length === 0) return null;
  return (
    <section class="decisions">
      <h3>Decided by you</h3>
      <ul>
        {lines.map(({ text, undo }) => (
          <li key={text}>
            {text}
            <button type="button" class="plain" aria-label={`Take back: ${text}`} onClick={undo}>
              ✕
            </button>
          </li>
        ))}
      </ul>
    </section>
  );
}
