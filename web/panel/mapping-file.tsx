import { useRef } from 'preact/hooks';
import { findJoints, type Mapping, type MappingSide, parseMapping, RigproofError } from '../../src/index.ts';
import { dataOf } from '../model/pairing.ts';
import { currentClip } from '../model/session.ts';
import { change, client, job, rejected, WorkerFault } from '../model/store.ts';
import type { FigureName } from '../model/view.ts';
import { saveFile } from '../parts/save-file.ts';

/** The mapping as a file: the same one that the command line takes and writes. */
export function MappingFile() {
  const input = useRef<HTMLInputElement>(null);
  const save = async (): Promise<void> => {
    if (!job.value) return;
    try {
      saveFile((await client.ask({ type: 'deliver', job: job.value, form: 'mapping' }, 'delivered')).file);
    } catch (error) {
      if (!(error instanceof WorkerFault)) throw error;
      rejected.value = [error.fault];
    }
  };
  return (
    <section class="mapping-file">
      <h3>Mapping file</h3>
      <p class="acts">
        <button type="button" onClick={() => void save()}>
          Save
        </button>
        <button type="button" onClick={() => input.current?.click()}>
          Load …
        </button>
        <button type="button" onClick={() => takeMapping({}, 'all left to evidence')}>
          Leave all to evidence
        </button>
      </p>
      <input
        ref={input}
        type="file"
        accept=".json"
        hidden
        aria-label="Mapping file"
        onChange={({ currentTarget }) => {
          const file = currentTarget.files?.[0];
          if (file) void file.text().then((text) => readMapping(text, file.name));
          currentTarget.value = '';
        }}
      />
    </section>
  );
}

/** Reads a mapping file into the session, or says what is wrong with it. */
export function readMapping(text: string, name: string): void {
  try {
    takeMapping(parseMapping(text, name), `mapping ${name}`);
    rejected.value = [];
  } catch (error) {
    if (!(error instanceof RigproofError)) throw error;
    const { code, message, place, hint } = error;
    rejected.value = [{ code, message, place, hint: hint ?? null }];
  }
}

/** The figure that has most of a convention's joints, and the roles of those it has. */
function fitConvention({ convention }: Mapping): { fits: FigureName | null; byConvention: MappingSide } {
  let fits: FigureName | null = null;
  let byConvention: MappingSide = {};
  let most = 0;
  for (const figure of ['source', 'target'] as const) {
    const skeleton = dataOf(figure)?.skeleton;
    if (!skeleton || !convention) continue;
    const entries = Object.entries(convention.roles).filter(
      ([, joint]) => joint !== null && findJoints(skeleton, joint).length === 1,
    );
    if (entries.length <= most) continue;
    most = entries.length;
    fits = figure;
    byConvention = { roles: Object.fromEntries(entries) };
  }
  return { fits, byConvention };
}

function takeMapping(mapping: Mapping, what: string): void {
  const { fits, byConvention } = fitConvention(mapping);
  change(what, (state) => {
    const clip = currentClip(state);
    const source = mapping.source ?? (fits === 'source' ? byConvention : {});
    return {
      ...state,
      target: mapping.target ?? (fits === 'target' ? byConvention : {}),
      sources: clip ? { ...state.sources, [clip.id]: source } : state.sources,
      limbs: mapping.limbs ?? {},
      corrections: mapping.corrections ?? {},
      chains: mapping.chains ?? [],
    };
  });
}
