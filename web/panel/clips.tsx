import { signal } from '@preact/signals';
import { zipSync } from 'fflate';
import type { Proof } from '../../src/index.ts';
import type { ClipEntry } from '../model/session.ts';
import { change, client, job, session, WorkerFault } from '../model/store.ts';
import { saveFile } from '../parts/save-file.ts';
import type { Delivered, Fault, Job } from '../worker/protocol.ts';

type Outcome = { proof: Proof; files: Delivered[] } | { fault: Fault };

/** What came of each clip, by file and animation. */
const outcomes = signal<ReadonlyMap<string, Outcome>>(new Map());
/** Index of the clip that is being converted; null when none is. */
const running = signal<number | null>(null);
let isCancelled = false;

const keyOf = ({ id, animation }: ClipEntry): string => `${id} ${animation ?? ''}`;

function jobFor(clip: ClipEntry, base: Job): Job {
  const { sources, spaces } = session.value;
  return {
    ...base,
    clip,
    mapping: { ...base.mapping, source: sources[clip.id] },
    spaces: { ...base.spaces, source: spaces[clip.id] ?? {} },
  };
}

async function convertAll(): Promise<void> {
  const base = job.value;
  if (!base) return;
  isCancelled = false;
  outcomes.value = new Map();
  const { clips } = session.value;
  for (let i = 0; i < clips.length && !isCancelled; i++) {
    running.value = i;
    const clip = clips[i]!;
    let outcome: Outcome;
    try {
      const { proof, files } = await client.ask({ type: 'verdict', job: jobFor(clip, base) }, 'verdict');
      outcome = { proof, files };
    } catch (error) {
      if (!(error instanceof WorkerFault)) throw error;
      outcome = { fault: error.fault };
    }
    outcomes.value = new Map(outcomes.value).set(keyOf(clip), outcome);
  }
  running.value = null;
}

function allFiles(): Delivered[] {
  return [...outcomes.value.values()].flatMap((outcome) => ('files' in outcome ? outcome.files : []));
}

function saveZip(): void {
  // Stored, not squeezed: the files are mostly numbers, and a fixed date keeps the same bytes for the same input.
  const entries = Object.fromEntries(
    allFiles().map(({ name, bytes }) => [name, [bytes, { level: 0, mtime: new Date(1980, 0, 1) }]] as const),
  );
  const bytes = zipSync(entries as Parameters<typeof zipSync>[0]) as Uint8Array<ArrayBuffer>;
  saveFile({ name: 'rigproof.zip', bytes });
}

interface FolderWindow {
  showDirectoryPicker?: (options: { mode: 'readwrite' }) => Promise<FileSystemDirectoryHandle>;
}

/** Writes into a folder that the person chooses, where the browser can do that. */
async function saveToFolder(): Promise<void> {
  let folder: FileSystemDirectoryHandle;
  try {
    folder = await (window as FolderWindow).showDirectoryPicker!({ mode: 'readwrite' });
  } catch {
    return; // nothing was chosen
  }
  for (const { name, bytes } of allFiles()) {
    const stream = await (await folder.getFileHandle(name, { create: true })).createWritable();
    await stream.write(bytes);
    await stream.close();
  }
}

/** All clips of the session with their verdicts, converted one after the other. */
export function Clips() {
  const { clips, current } = session.value;
  if (clips.length < 2) return null;
  const done = outcomes.value.size;
  return (
    <section class="clips">
      <h2>{clips.length} clips</h2>
      <ol>
        {clips.map((clip, i) => (
          <li key={keyOf(clip)}>
            <button
              type="button"
              class="place"
              aria-current={i === current ? 'true' : undefined}
              onClick={() => change(`show ${clip.title}`, (state) => ({ ...state, current: i }))}
            >
              <span>{clip.title}</span>
              <Verdict outcome={outcomes.value.get(keyOf(clip))} isRunning={running.value === i} />
            </button>
          </li>
        ))}
      </ol>
      {running.value === null ? (
        <p class="acts">
          <button type="button" onClick={() => void convertAll()}>
            Convert all
          </button>
          {done > 0 && (
            <button type="button" onClick={saveZip}>
              Take all as one zip
            </button>
          )}
          {done > 0 && 'showDirectoryPicker' in window && (
            <button type="button" onClick={() => void saveToFolder()}>
              Write into a folder …
            </button>
          )}
        </p>
      ) : (
        <p class="acts">
          <progress max={clips.length} value={done} aria-label="Converted" />
          <button
            type="button"
            onClick={() => {
              isCancelled = true;
            }}
          >
            Stop after this one
          </button>
        </p>
      )}
    </section>
  );
}

function Verdict({ outcome, isRunning }: { outcome: Outcome | undefined; isRunning: boolean }) {
  if (isRunning) return <span class="quiet">converting …</span>;
  if (!outcome) return <span class="quiet">–</span>;
  if ('fault' in outcome) {
    return (
      <span class="bad" title={outcome.fault.message}>
        ✕ {outcome.fault.code}
      </span>
    );
  }
  const { fail, pass } = outcome.proof.counts;
  return fail > 0 ? <span class="bad">✕ {fail} fail</span> : <span>✓ {pass} pass</span>;
}
