import { batch, computed, effect, signal } from '@preact/signals';
import type { Note, Proof } from '../../src/index.ts';
import { createClient, WorkerFault } from '../worker/client.ts';
import type { Fault, Job, MotionData, PerformerData, ReceiverData } from '../worker/protocol.ts';
import { createHistory } from './history.ts';
import { currentClip, EMPTY_SESSION, type Session } from './session.ts';
import { forgetAll, keepLastWord, keepSession, loadFiles, loadSession } from './storage.ts';

export const client = createClient();

/** What a person decided. Everything else follows from it. */
export const history = createHistory<Session>(EMPTY_SESSION);
export const session = history.present;

/** What the worker made of it. */
export const performer = signal<PerformerData | null>(null);
export const receiver = signal<ReceiverData | null>(null);
export const motion = signal<MotionData | null>(null);
/** The motion before the last change, on the same figures, to compare with. */
export const before = signal<MotionData | null>(null);
export const proof = signal<Proof | null>(null);
/** What keeps the current session from being shown; null when nothing does. */
export const trouble = signal<Fault | null>(null);
/** Faults of files that were dropped and are not part of the session. */
export const rejected = signal<Fault[]>([]);
export const isSolving = signal(false);
export const isProving = signal(false);
export const isRestoring = signal(true);
/** Milliseconds from the last edit to its new motion, and how many edits there were. */
export const lastTurn = signal<{ ms: number; count: number } | null>(null);

/** Bytes of open files, so that a reload can find them again. */
export const openFiles = new Set<string>();

export const job = computed<Job | null>(() => {
  const { character, target, sources, spaces, limbs, corrections, chains, options } = session.value;
  const clip = currentClip(session.value);
  if (!character || !clip) return null;
  return {
    character,
    clip,
    mapping: { source: sources[clip.id], target, limbs, corrections, chains },
    spaces: { source: spaces[clip.id] ?? {}, target: spaces[character.id] ?? {} },
    options,
  };
});

/** Notes of everything that is shown. */
export const notes = computed<Note[]>(() => [
  ...(performer.value?.notes ?? []),
  ...(receiver.value?.notes ?? []),
  ...(motion.value?.notes ?? []),
]);

/** Goes on to a changed session. `what` is what undo will say. */
export function change(what: string, edit: (session: Session) => Session, joinsWith?: string): void {
  const next = edit(session.value);
  if (next === session.value) return;
  const joins = history.push(next, what, joinsWith);
  if (!joins) before.value = motion.peek();
}

/** The last solve that was asked for, and the last that is shown: while something is dragged, the latter lags behind. */
let current = 0;
let shown = 0;
let sentAt = 0;

client.listen((message) => {
  if (message.type === 'solved' ? message.call <= shown : message.call !== current) return;
  if (message.type === 'solved') {
    shown = message.call;
    batch(() => {
      const { solved } = message;
      if (solved.performer) performer.value = solved.performer;
      if (solved.receiver) receiver.value = solved.receiver;
      if (solved.receiver || solved.performer) before.value = null;
      motion.value = solved.motion;
      trouble.value = null;
      isSolving.value = message.call !== current;
      isProving.value = true;
    });
  } else if (message.type === 'unsolved') {
    batch(() => {
      const { figures, fault } = message;
      if (figures.performer) performer.value = figures.performer;
      if (figures.receiver) receiver.value = figures.receiver;
      motion.value = null;
      before.value = null;
      proof.value = null;
      trouble.value = fault;
      isSolving.value = false;
      isProving.value = false;
    });
  } else if (message.type === 'proved') {
    batch(() => {
      proof.value = message.proof;
      isProving.value = false;
    });
  } else if (message.type === 'failed') {
    batch(() => {
      trouble.value = message.fault;
      isSolving.value = false;
      isProving.value = false;
    });
  }
});

/** The picture tells that it shows a motion for the first time. */
export function noteDrawn(): void {
  lastTurn.value = { ms: performance.now() - sentAt, count: (lastTurn.value?.count ?? 0) + 1 };
}

/** Every change of the job is solved; the worker skips what is overtaken. */
effect(() => {
  const wanted = job.value;
  if (!wanted) return;
  const known = { performer: performer.peek()?.key ?? '', receiver: receiver.peek()?.key ?? '' };
  sentAt = performance.now();
  isSolving.value = true;
  current = client.post({ type: 'solve', job: wanted, known });
});

/** Takes up the session of the last visit. */
export async function restore(): Promise<void> {
  try {
    const [kept, files] = await Promise.all([loadSession(), loadFiles()]);
    if (kept && files.length > 0) {
      const named = [kept.character, ...kept.clips].filter((file) => file !== null);
      for (const { id, name, bytes, companions } of files) {
        if (!named.some((file) => file.id === id)) continue;
        await client.ask({ type: 'open', file: { id, name, bytes, companions } }, 'opened');
        openFiles.add(id);
      }
      if (named.every(({ id }) => openFiles.has(id)))
        history.reset({ ...EMPTY_SESSION, ...kept, options: { ...EMPTY_SESSION.options, ...kept.options } });
    }
  } catch {
    // What was kept cannot be read any more: start anew rather than fail again at every visit.
    await forgetAll();
  } finally {
    isRestoring.value = false;
    let timer: ReturnType<typeof setTimeout>;
    let isKept = true;
    effect(() => {
      const state = session.value;
      clearTimeout(timer);
      isKept = false;
      timer = setTimeout(async () => {
        await keepSession(state, new Set(openFiles));
        isKept = state === session.peek();
      }, 300);
    });
    // Whoever leaves at once after a decision finds it again too.
    window.addEventListener('pagehide', () => {
      if (!isKept) keepLastWord(session.peek());
    });
  }
}

/** Empties the session and what was kept of it. */
export async function startAnew(): Promise<void> {
  batch(() => {
    history.reset(EMPTY_SESSION);
    performer.value = null;
    receiver.value = null;
    motion.value = null;
    proof.value = null;
    trouble.value = null;
    rejected.value = [];
  });
  openFiles.clear();
  await forgetAll();
}

export { WorkerFault };
