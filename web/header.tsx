import { useSignal } from '@preact/signals';
import { KEYS } from './keys.ts';
import { currentClip } from './model/session.ts';
import { history, isProving, isSolving, session, startAnew } from './model/store.ts';
import { type Theme, theme } from './model/view.ts';
import { ChooseFiles } from './parts/choose-files.tsx';

const THEMES: [Theme, string][] = [
  ['system', 'As the system'],
  ['light', 'Light'],
  ['dark', 'Dark'],
];

/** The line at the top: what is on what, back and forth, and how the page looks. */
export function Header() {
  const showsKeys = useSignal(false);
  const clip = currentClip(session.value);
  const { character } = session.value;
  const undoes = history.canUndo.value;
  const redoes = history.canRedo.value;
  return (
    <header class="top">
      <h1>rigproof</h1>
      {clip && character && (
        <p class="what">
          <b>{clip.title}</b> on <b>{character.name}</b>
          <span class="state" role="status">
            {isSolving.value ? 'working …' : isProving.value ? 'proving …' : ''}
          </span>
        </p>
      )}
      <span class="spring" />
      {(clip || character) && (
        <>
          <button type="button" disabled={undoes === null} title={undoes ?? ''} onClick={history.undo}>
            Undo
          </button>
          <button type="button" disabled={redoes === null} title={redoes ?? ''} onClick={history.redo}>
            Redo
          </button>
          <ChooseFiles>Open …</ChooseFiles>
          <button type="button" onClick={() => void startAnew()}>
            Start anew
          </button>
        </>
      )}
      <label class="theme">
        <span class="hidden">Light or dark</span>
        <select
          value={theme.value}
          onChange={({ currentTarget }) => {
            theme.value = currentTarget.value as Theme;
          }}
        >
          {THEMES.map(([value, label]) => (
            <option key={value} value={value}>
              {label}
            </option>
          ))}
        </select>
      </label>
      <button
        type="button"
        aria-expanded={showsKeys.value}
        onClick={() => {
          showsKeys.value = !showsKeys.value;
        }}
      >
        Keys
      </button>
      {showsKeys.value && (
        <dl class="keys">
          {KEYS.map(([key, does]) => (
            <div key={key}>
              <dt>{key}</dt>
              <dd>{does}</dd>
            </div>
          ))}
        </dl>
      )}
    </header>
  );
}
