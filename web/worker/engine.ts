import {
  applyMapping,
  auditCharacter,
  type BodyConstraints,
  type BvhFile,
  type Character,
  type Conversion,
  convert,
  createReceiver,
  type DeliveryForm,
  type DracoDecoder,
  exerciseClip,
  type FilterOptions,
  fileKind,
  type MappingSide,
  mappingOf,
  type Note,
  needsNodeAbove,
  openCharacter,
  outputOf,
  type PairingReport,
  type Performer,
  type Proof,
  parseBvh,
  parseContainer,
  performerFromBvh,
  performerFromCharacter,
  proofSheet,
  prove as proveFigure,
  type Receiver,
  RigproofError,
  readAnimation,
  readBack,
  reportPairing,
  rigReport,
  SAMPLE_FPS,
  type Skeleton,
  writeMapping,
} from '../../src/index.ts';
import type { Axis, ClipEntry, Corrections, FileEntry } from '../model/session.ts';
import { type BareCharacter, type BareMotion, bareCharacter, bareMotion } from './bare-figures.ts';
import type { AuditResult, Delivered, DeliverForm, Job, OpenedInfo, OpenRequest } from './protocol.ts';

type Opened =
  | { kind: 'clip'; file: BvhFile }
  /** `withRoot`: with the node above its hips as a joint, once a motion has needed that. */
  | { kind: 'character'; character: Character; withRoot?: Character };

/** A value that is kept until its key changes. */
interface Kept<T> {
  key: string;
  value: T;
}

/** Everything that one job leads to, each part kept as long as what it depends on stays the same. */
export interface Engine {
  open(request: OpenRequest): Promise<{ info: OpenedInfo; notes: Note[] }>;
  performer(job: Job): Kept<Performer>;
  /** Looks the character over before any motion, and makes the exercise clip for it. */
  audit(job: Job): AuditResult;
  receiver(job: Job): Kept<Receiver>;
  /** The figures as far as they can be read where they are no human bodies yet. */
  bareMotion(job: Job): BareMotion;
  bareCharacter(job: Job): BareCharacter;
  motion(job: Job): Promise<{ conversion: Conversion; pairing: PairingReport }>;
  /** Writes the motion, reads it back and proves it, as the command line does. */
  prove(job: Job): Promise<Proven>;
  deliver(job: Job, form: DeliverForm): Promise<Delivered>;
}

/** A motion as it would be written, its proof, and what draws the sheet of that. */
interface Proven {
  proof: Proof;
  sheet(): string;
  glb: Uint8Array;
}

/** @param draco  gives the decoder for compressed meshes; called only when one is met */
export function createEngine(draco: () => Promise<DracoDecoder>): Engine {
  const files = new Map<string, Opened>();
  let performer: Kept<Performer> | null = null;
  let receiver: Kept<Receiver> | null = null;
  let motion: Kept<{ conversion: Conversion; pairing: PairingReport }> | null = null;
  let proven: Kept<Proven> | null = null;

  async function open(request: OpenRequest): Promise<{ info: OpenedInfo; notes: Note[] }> {
    const { id, name } = request;
    const bytes = new Uint8Array(request.bytes);
    if (fileKind(bytes, name) === 'bvh') {
      const file = parseBvh(bytes, name);
      files.set(id, { kind: 'clip', file });
      const { skeleton, clip } = file.takes[0]!;
      const title = stem(name);
      return {
        info: { kind: 'clip', title, joints: skeleton.jointCount, frames: clip.frameCount },
        notes: [...file.notes],
      };
    }
    const companions = new Map(request.companions.map((file) => [file.name, new Uint8Array(file.bytes)]));
    const container = parseContainer(bytes, name, (uri) => companions.get(uri.split('/').at(-1)!));
    const character = await openCharacter(container, {}, draco);
    files.set(id, { kind: 'character', character });
    const { skeleton, skins, animations, notes } = character;
    return {
      info: { kind: 'character', joints: skeleton.jointCount, animations, hasMesh: skins.length > 0, humanoid: true },
      notes,
    };
  }

  function need<K extends Opened['kind']>({ id, name }: FileEntry, kind: K): Extract<Opened, { kind: K }> {
    const file = files.get(id);
    if (file?.kind !== kind) {
      throw new RigproofError(
        'FILE_KIND',
        `${name} is not open as a ${kind}.`,
        { file: name },
        { hint: 'Drop the file again.' },
      );
    }
    return file as Extract<Opened, { kind: K }>;
  }

  function performerOf({ clip, mapping, spaces }: Job): Kept<Performer> {
    const space = spaces.source;
    const key = JSON.stringify([clip.id, clip.animation, mapping.source ?? null, space]);
    if (performer?.key === key) return performer;
    const { keepRestFrames } = space;
    let value: Performer;
    if (clip.animation === null) {
      const { file } = need(clip, 'clip');
      const read = file.takes[0]!;
      const take = space.fps ? { ...read, clip: { ...read.clip, frameDuration: 1 / space.fps } } : read;
      const constraints = constraintsOf(mapping.source, take.skeleton, space, clip.name);
      value = performerFromBvh(clip.name, take, file.notes, { ...constraints, keepRestFrames });
    } else {
      const { character } = need(clip, 'character');
      const constraints = constraintsOf(mapping.source, character.skeleton, space, clip.name);
      value = performerFromCharacter(character, clip.animation, space.fps ?? SAMPLE_FPS, {
        ...constraints,
        keepRestFrames,
      });
    }
    performer = { key, value };
    return performer;
  }

  function receiverOf({ character, mapping, spaces, options }: Job): Kept<Receiver> {
    const opened = need(character, 'character');
    const withRoot = options.rootMotion === 'extract' ? opened.withRoot : undefined;
    const key = JSON.stringify([character.id, mapping.target ?? null, spaces.target, withRoot !== undefined]);
    if (receiver?.key === key) return receiver;
    const read = withRoot ?? opened.character;
    const constraints = constraintsOf(mapping.target, read.skeleton, spaces.target, character.name);
    receiver = { key, value: createReceiver(read, constraints) };
    return receiver;
  }

  function readMotion({ clip, mapping, spaces }: Job): BareMotion {
    const space = spaces.source;
    const key = JSON.stringify(['bare', clip.id, clip.animation, mapping.source ?? null, space]);
    if (clip.animation === null) {
      const { skeleton, clip: motion } = need(clip, 'clip').file.takes[0]!;
      const constraints = constraintsOf(mapping.source, skeleton, space, clip.name);
      return bareMotion(key, clip.name, skeleton, motion, false, constraints);
    }
    const { character } = need(clip, 'character');
    const constraints = constraintsOf(mapping.source, character.skeleton, space, clip.name);
    const motion = readAnimation(character, clip.animation, space.fps ?? SAMPLE_FPS).clip;
    return bareMotion(key, clip.name, character.skeleton, motion, true, constraints);
  }

  function readRig({ character, mapping, spaces }: Job): BareCharacter {
    const key = JSON.stringify(['bare', character.id, mapping.target ?? null, spaces.target]);
    const read = need(character, 'character').character;
    return bareCharacter(key, read, constraintsOf(mapping.target, read.skeleton, spaces.target, character.name));
  }

  /** Reads the character anew where a node above its hips has to carry the travel. */
  async function readRoot(job: Job): Promise<void> {
    if (!needsNodeAbove(receiverOf(job).value.actor, job.options.rootMotion)) return;
    const opened = need(job.character, 'character');
    const { container, referencePose } = opened.character;
    opened.withRoot = await openCharacter(container, { nodeAbove: true, referencePose: referencePose.kind }, draco);
  }

  async function motionOf(job: Job): Promise<{ conversion: Conversion; pairing: PairingReport }> {
    const source = performerOf(job);
    await readRoot(job);
    const target = receiverOf(job);
    const { keepAllKeys: _keys, int16: _int16, ...moving } = job.options;
    const key = JSON.stringify([source.key, target.key, moving, job.mapping]);
    if (motion?.key === key) return motion.value;
    const { name: file } = job.clip;
    const pairing = reportPairing(
      { file, skeleton: source.value.actor.skeleton, body: source.value.body, notes: source.value.notes },
      {
        file: job.character.name,
        skeleton: target.value.actor.skeleton,
        body: target.value.body,
        notes: target.value.notes,
      },
    );
    const conversion = convert(source.value, target.value, {
      contact: moving.contact,
      hands: moving.hands,
      plants: { ramp: moving.ramp },
      mapping: job.mapping,
      filter: filterOf(job.options),
      enforceRanges: moving.enforceRanges,
      allowStretch: moving.allowStretch,
      poles: moving.poles,
      rootMotion: { mode: moving.rootMotion },
    });
    motion = { key, value: { conversion, pairing } };
    return motion.value;
  }

  async function write(job: Job, form: DeliveryForm) {
    const { conversion } = await motionOf(job);
    const { keepAllKeys, int16 } = job.options;
    return outputOf(
      { performer: performerOf(job).value, receiver: receiverOf(job).value, conversion },
      { form, name: stem(job.clip.name), keepAllKeys, quantise: int16 ? 'int16' : 'float32' },
    );
  }

  async function prove(job: Job): Promise<Proven> {
    await motionOf(job);
    const key = JSON.stringify([motion!.key, job.options]);
    if (proven?.key === key) return proven.value;
    const written = await write(job, 'glb');
    const { bytes } = written.file;
    const open = () => parseContainer(bytes, job.character.name);
    const { target, source, options } = await readBack(written, open, draco);
    // Drawn when it is asked for: an audit takes longer than the proof, and most proofs are of a motion that still changes.
    const sheet = (): string =>
      proofSheet(target, source, options, {
        target: outputName(job, '.glb'),
        source: job.clip.name,
        rig: rigReport(auditOf(job).audit),
        notes: written.notes,
      }).html;
    proven = { key, value: { proof: proveFigure(target, source, options), sheet, glb: bytes } };
    return proven.value;
  }

  async function deliverFile(job: Job, form: DeliverForm): Promise<Delivered> {
    const text = (name: string, content: string) => ({ name, bytes: new TextEncoder().encode(content) });
    if (form === 'sheet') return text(outputName(job, '.proof.html'), (await prove(job)).sheet());
    if (form === 'mapping') {
      const source = performerOf(job).value;
      const target = receiverOf(job).value;
      const mapping = mappingOf(
        { file: job.clip.name, skeleton: source.actor.skeleton, body: source.body, notes: [] },
        { file: job.character.name, skeleton: target.actor.skeleton, body: target.body, notes: [] },
        job.mapping,
      );
      return text(outputName(job, '.mapping.json'), writeMapping(mapping));
    }
    const extension = { glb: '.glb', 'animation-only': '.animation.glb', bvh: '.bvh', vrma: '.vrma' }[form];
    const { bytes } = (await write(job, form)).file;
    return { name: outputName(job, extension), bytes: bytes as Uint8Array<ArrayBuffer> };
  }

  function auditOf(job: Job): AuditResult {
    const { character, mapping, spaces } = job;
    const read = need(character, 'character').character;
    const constraints = constraintsOf(mapping.target, read.skeleton, spaces.target, character.name);
    const { audit, input } = auditCharacter(read, constraints);
    const exercise = input.posture ? exerciseClip(input.skeleton, input.body.roles, input.posture) : null;
    return { audit, exercise };
  }

  return {
    open,
    audit: auditOf,
    performer: performerOf,
    receiver: receiverOf,
    bareMotion: readMotion,
    bareCharacter: readRig,
    motion: motionOf,
    prove,
    deliver: deliverFile,
  };
}

/** What is done to the motion before it is put onto the character. */
function filterOf({ repair, lowPass, from, to, mirror, loop }: Job['options']): Partial<FilterOptions> {
  const trim = from === null && to === null ? null : { from: from ?? undefined, to: to ?? undefined };
  return { repair, lowPass, trim, mirror, loop };
}

export const stem = (name: string): string => name.replace(/^.*[/\\]/, '').replace(/\.[^.]*$/, '');

/** As the command line names its output: `CHARACTER-CLIP`, with the animation where the file has several. */
function outputName({ character, clip }: { character: FileEntry; clip: ClipEntry }, extension: string): string {
  const motion = clip.animation === null ? stem(clip.name) : clip.title.replace(/[^\w.-]+/g, '_');
  return `${stem(character.name)}-${motion}${extension}`;
}

function axisVector(axis: Axis): [number, number, number] {
  const vector: [number, number, number] = [0, 0, 0];
  vector['XYZ'.indexOf(axis[1]!)] = axis[0] === '-' ? -1 : 1;
  return vector;
}

function constraintsOf(
  side: MappingSide | undefined,
  skeleton: Skeleton,
  space: Corrections,
  name: string,
): BodyConstraints {
  const { roles, forbid } = applyMapping(side ?? {}, skeleton, name);
  return {
    fixed: roles,
    forbidden: forbid,
    override: {
      up: space.up && axisVector(space.up),
      facing: space.facing && axisVector(space.facing),
      metresPerUnit: space.unit,
    },
  };
}
