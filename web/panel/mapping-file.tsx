import { useRef } from 'preact/hooks';
import { type Mapping, parseMapping, RigproofError } from '../../src/index.ts';
import { currentClip } from '../model/session.ts';
import { change, client, job, rejected, WorkerFault } from '../model/store.ts';
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

function takeMapping(mapping: Mapping, what: string): void {
  change(what, (state) => {
    const clip = currentClip(state);
    const source = mapping.source ?? {};
    return {
      ...state,
      target: mapping.target ?? {},
      sources: clip ? { ...state.sources, [clip.id]: source } : state.sources,
      limbs: mapping.limbs ?? {},
      corrections: mapping.corrections ?? {},
      chains: mapping.chains ?? [],
    };
  });
}
