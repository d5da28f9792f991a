import { useSignal } from '@preact/signals';
import type { Axis, Corrections } from '../model/session.ts';
import { change, notes, performer, receiver, session } from '../model/store.ts';
import type { Fact, FigureData } from '../worker/protocol.ts';

const AXES: Axis[] = ['+X', '-X', '+Y', '-Y', '+Z', '-Z'];
const UNITS: [number, string][] = [
  [1, 'metre'],
  [0.01, 'centimetre'],
  [0.001, 'millimetre'],
  [0.0254, 'inch'],
  [0.3048, 'foot'],
  [0.0254 / 0.45, '1/0.45 inch'],
];

/** What was measured of both files, a line each, with the way to correct it. */
export function Measured() {
  return (
    <>
      <Figure title="Performer" data={performer.value} />
      <Figure title="Character" data={receiver.value} />
      <Notes />
    </>
  );
}

function Figure({ title, data }: { title: string; data: FigureData | null }) {
  if (!data) return null;
  const { character, clips, current } = session.value;
  const file = title === 'Character' ? character?.id : clips[current]?.id;
  return (
    <section class="facts">
      <h2>
        {title} <span class="file">{data.file}</span>
      </h2>
      <ul>
        {data.facts.map((fact) => (
          <FactLine key={fact.id} fact={fact} file={file ?? ''} who={title.toLowerCase()} />
        ))}
      </ul>
    </section>
  );
}

const CORRECTABLE: Partial<Record<Fact['id'], keyof Corrections>> = {
  unit: 'unit',
  up: 'up',
  facing: 'facing',
  rate: 'fps',
};

function FactLine({ fact, file, who }: { fact: Fact; file: string; who: string }) {
  const isOpen = useSignal(false);
  const key = CORRECTABLE[fact.id];
  const given = session.value.spaces[file] ?? {};
  const isGiven = key !== undefined && given[key] !== undefined;
  return (
    <li class={fact.unsure && !isGiven ? 'fact unsure' : 'fact'}>
      <span class="fact-title">{fact.title}</span>
      <span class="fact-value">
        {fact.value}
        {isGiven ? (
          <span class="by-hand"> set by you</span>
        ) : fact.unsure ? (
          <span class="by-hand"> ? not sure</span>
        ) : null}
      </span>
      <button
        type="button"
        class="plain"
        aria-expanded={isOpen.value}
        aria-label={`${key ? 'Why, and correct' : 'Why'}: ${fact.title} of the ${who}`}
        onClick={() => {
          isOpen.value = !isOpen.value;
        }}
      >
        {key ? 'correct' : 'why'}
      </button>
      {isOpen.value && (
        <div class="fact-more">
          <p>{fact.evidence}</p>
          {key && <Correct file={file} field={key} title={`${fact.title} of the ${who}`} given={given} />}
        </div>
      )}
    </li>
  );
}

function Correct({
  file,
  field,
  title,
  given,
}: {
  file: string;
  field: keyof Corrections;
  title: string;
  given: Corrections;
}) {
  const set = (value: Corrections[typeof field]): void => {
    change(value === undefined ? `${title} as measured` : title, (state) => {
      const { [field]: _, ...rest } = state.spaces[file] ?? {};
      const next = value === undefined ? rest : { ...rest, [field]: value };
      return { ...state, spaces: { ...state.spaces, [file]: next } };
    });
  };
  if (field === 'fps') {
    return (
      <label>
        <span>Frames a second</span>
        <input
          type="number"
          min="1"
          max="1000"
          step="any"
          placeholder="as in the file"
          value={given.fps ?? ''}
          onChange={({ currentTarget }) =>
            set(Number(currentTarget.value) > 0 ? Number(currentTarget.value) : undefined)
          }
        />
      </label>
    );
  }
  const choices: [string, string][] =
    field === 'unit' ? UNITS.map(([size, name]) => [String(size), name]) : AXES.map((axis) => [axis, axis]);
  return (
    <label>
      <span>{title}</span>
      <select
        value={String(given[field] ?? '')}
        onChange={({ currentTarget: { value } }) =>
          set(value === '' ? undefined : field === 'unit' ? Number(value) : (value as Axis))
        }
      >
        <option value="">as measured</option>
        {choices.map(([value, name]) => (
          <option key={value} value={value}>
            {name}
          </option>
        ))}
      </select>
    </label>
  );
}

function Notes() {
  if (notes.value.length === 0) return null;
  const warnings = notes.value.filter(({ severity }) => severity === 'warning');
  const infos = notes.value.filter(({ severity }) => severity === 'info');
  return (
    <section class="notes">
      <h2>Worth knowing</h2>
      <ul>
        {[...warnings, ...infos].map(({ code, severity, message }, i) => (
          <li key={`${code}${i}`} class={severity}>
            <span aria-hidden="true">{severity === 'warning' ? '▲' : '·'}</span>
            <span class="hidden">{severity}: </span>
            {message}
          </li>
        ))}
      </ul>
    </section>
  );
}
