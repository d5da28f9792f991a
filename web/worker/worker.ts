import dracoWasm from 'draco3dgltf/draco_decoder_gltf.wasm?url';
import { createDracoDecoder, type DracoDecoder, type Performer, RigproofError } from '../../src/index.ts';
import { createEngine } from './engine.ts';
import { bareCharacterData, bareMotionData, performerData, receiverData } from './figures.ts';
import type { Fault, Figures, FromWorker, Job, Solved, ToWorker } from './protocol.ts';
import { readImages, readSurfaces } from './surfaces.ts';

/** Faults that pairing by hand can mend: the figures are shown all the same. */
const UNPAIRED = new Set(['PAIR_NOT_HUMANOID', 'PAIR_NOTHING_SHARED', 'RETARGET_NO_HIPS', 'RETARGET_NOTHING_PAIRED']);

type Solve = Extract<ToWorker, { type: 'solve' }>;

let decoder: Promise<DracoDecoder> | undefined;
const draco = (): Promise<DracoDecoder> => {
  decoder ??= fetch(dracoWasm)
    .then((response) => response.arrayBuffer())
    .then(createDracoDecoder);
  return decoder;
};
const engine = createEngine(draco);
const queue: ToWorker[] = [];
let isBusy = false;
/** Ends a rest early. */
let wake: (() => void) | null = null;

/** Milliseconds without a request before a proof is begun: while something is dragged, motion comes first. */
const REST = 200;

addEventListener('message', ({ data }: MessageEvent<ToWorker>) => {
  queue.push(data);
  wake?.();
  if (!isBusy) void work();
});

/** Takes one request after the other; of several solves only the last is worth doing. */
async function work(): Promise<void> {
  isBusy = true;
  for (let request = queue.shift(); request; request = queue.shift()) {
    const { type, call } = request;
    if (type === 'solve' && queue.some((later) => later.type === 'solve')) {
      send({ type: 'superseded', call });
      continue;
    }
    try {
      await answer(request);
    } catch (error) {
      send({ type: 'failed', call, fault: faultOf(error) });
    }
    await breathe();
  }
  isBusy = false;
}

/** Waits for a while, or until the next request. */
function rest(): Promise<void> {
  return new Promise((done) => {
    const timer = setTimeout(finish, REST);
    function finish(): void {
      clearTimeout(timer);
      wake = null;
      done();
    }
    wake = finish;
  });
}

/** Lets messages that came in meanwhile reach the queue. */
const breathe = (): Promise<void> => new Promise((done) => setTimeout(done));

async function answer(request: ToWorker): Promise<void> {
  const { call } = request;
  switch (request.type) {
    case 'open':
      send({ type: 'opened', call, ...(await engine.open(request.file)) });
      return;
    case 'solve': {
      const start = performance.now();
      try {
        const { solved, transfer } = await solve(request);
        solved.motion.took = performance.now() - start;
        send({ type: 'solved', call, solved }, transfer);
      } catch (error) {
        if (!(error instanceof RigproofError && UNPAIRED.has(error.code))) throw error;
        const transfer: Transferable[] = [];
        const figures = await figuresOf(request.job, request.known, transfer);
        send({ type: 'unsolved', call, figures, fault: faultOf(error) }, transfer);
        return;
      }
      await rest();
      if (queue.some((later) => later.type === 'solve')) return;
      const before = performance.now();
      const { proof } = await engine.prove(request.job);
      send({ type: 'proved', call, proof, took: performance.now() - before });
      return;
    }
    case 'audit':
      send({ type: 'audited', call, result: engine.audit(request.job) });
      return;
    case 'deliver':
      send({ type: 'delivered', call, file: await engine.deliver(request.job, request.form) });
      return;
    case 'verdict': {
      const files = [await engine.deliver(request.job, 'glb'), await engine.deliver(request.job, 'sheet')];
      const { proof } = await engine.prove(request.job);
      send({ type: 'verdict', call, proof, files });
    }
  }
}

async function solve({ job, known }: Solve): Promise<{ solved: Solved; transfer: Transferable[] }> {
  const { conversion, pairing } = await engine.motion(job);
  const { clip, contacts, plants, plan, notes } = conversion;
  const rotations = clip.rotations.slice();
  const translations = clip.translations.slice();
  const transfer: Transferable[] = [rotations.buffer, translations.buffer];
  const motion: Solved['motion'] = {
    clip: { ...clip, rotations, translations },
    contacts,
    plants,
    scale: plan.scale,
    posture: plan.target.alignment.posture,
    carriers: plan.solveParents,
    carrierOffsets: plan.restOffsets,
    notes,
    pairing,
    took: 0,
  };
  return { solved: { ...(await figuresOf(job, known, transfer, conversion.performer)), motion }, transfer };
}

/** Both figures, where the page does not have them; as far as they can be read where one is no human body yet. */
async function figuresOf(
  job: Job,
  known: Solve['known'],
  transfer: Transferable[],
  played?: Performer,
): Promise<Figures> {
  const figures: Figures = {};
  const performer = orBare(
    () => playedBy(job, played),
    () => engine.bareMotion(job),
  );
  if (performer.key !== known.performer) {
    figures.performer =
      'value' in performer ? performerData(performer.key, performer.value) : bareMotionData(performer);
    transfer.push(figures.performer.clip.rotations.buffer, figures.performer.clip.translations.buffer);
  }
  const receiver = orBare(
    () => engine.receiver(job),
    () => engine.bareCharacter(job),
  );
  if (receiver.key !== known.receiver) {
    const { character } = 'value' in receiver ? receiver.value : receiver;
    const data = 'value' in receiver ? receiverData(receiver.key, receiver.value) : bareCharacterData(receiver);
    const used = character.container.json.extensionsUsed;
    const isDraco = Array.isArray(used) && used.includes('KHR_draco_mesh_compression');
    const surfaces = readSurfaces(character, isDraco ? await draco() : undefined);
    const images = await readImages(character, surfaces);
    for (const image of images) if (image) transfer.push(image);
    figures.receiver = { ...data, surfaces, images };
  }
  return figures;
}

/** The performer as its motion was used: trimmed, mirrored, filtered. */
function playedBy(job: Job, played: Performer | undefined): { key: string; value: Performer } {
  const read = engine.performer(job);
  if (!played || played.clip === read.value.clip) return read;
  const { repair, lowPass, from, to, mirror, loop, enforceRanges } = job.options;
  const how = JSON.stringify([repair, lowPass, from, to, mirror, loop, enforceRanges, job.mapping.source?.hold]);
  return { key: `${read.key} ${how}`, value: played };
}

function orBare<T, B>(read: () => T, readBare: () => B): T | B {
  try {
    return read();
  } catch (error) {
    if (error instanceof RigproofError && error.code === 'PAIR_NOT_HUMANOID') return readBare();
    throw error;
  }
}

function send(message: FromWorker, transfer: Transferable[] = []): void {
  postMessage(message, { transfer });
}

function faultOf(error: unknown): Fault {
  if (error instanceof RigproofError) {
    const { code, message, place, hint } = error;
    return { code, message, place, hint: hint ?? null };
  }
  const message = error instanceof Error ? error.message : String(error);
  return { code: 'INTERNAL', message, place: {}, hint: 'This is a fault in rigproof, not in your files.' };
}
