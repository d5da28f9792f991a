import { openFile } from '../convert/node.ts';
import { type Body, SURE } from '../pairing/body.ts';
import { type BodyConstraints, readBody } from '../pairing/read-body.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { hashOf } from './fingerprint.ts';
import type { ClipEntry } from './job.ts';

/** Clips with one skeleton, which are read as one body. */
export interface SkeletonGroup {
  /** Fingerprint of the skeleton: joints, tree and offsets. */
  id: string;
  /** Fingerprint of joints and tree alone. */
  family: string;
  clips: number;
  joints: number;
  /** The clip that was looked at. */
  from: string;
  /** Null when that clip could not be read: every clip of the group then says for itself what is wrong. */
  body: Body | null;
  /** Hash of what of the body decides a result. */
  digest: string;
  /** What a person should look at before the run; empty when all is sure. */
  doubts: string[];
}

/** What a person has decided for a group; the skeleton is that of its clips. */
export type GroupConstraints = (group: { id: string; family: string }, skeleton: Skeleton) => BodyConstraints;

/**
 * Reads each group once. Where the skeleton alone settles everything, no motion is asked: the result then is the same
 * whatever clips stand in the group, so that a part of the list, and a clip on its own, get the same reading. Where it
 * does not, the longest clip is asked, since it shows most motion.
 */
export async function readGroup(
  id: string,
  family: string,
  clips: readonly ClipEntry[],
  constraintsOf: GroupConstraints,
): Promise<SkeletonGroup> {
  const bySize = clips.toSorted((a, b) => a.bytes - b.bytes || (a.hash < b.hash ? -1 : 1));
  const group = { id, family, clips: clips.length, joints: 0, digest: '', doubts: [] as string[] };
  for (const clip of bySize) {
    let read: { skeleton: Skeleton; clip?: Clip; isGltf: boolean };
    try {
      read = await readSkeleton(clip);
    } catch {
      // A broken file says so in its own line; another clip of the group can be looked at.
      continue;
    }
    const constraints = constraintsOf({ id, family }, read.skeleton);
    const settings = { skeleton: read.skeleton, declaredMetres: read.isGltf, ...constraints };
    let body = readBody(settings);
    let from = clip.name;
    if (doubtsOf(body).length > 0) {
      const longest = await readLongest(bySize);
      if (longest) {
        body = readBody({ ...settings, clip: longest.motion });
        from = longest.name;
      }
    }
    return {
      ...group,
      joints: read.skeleton.jointCount,
      from,
      body: plainBody(body),
      digest: digestOf(body),
      doubts: doubtsOf(body),
    };
  }
  return { ...group, from: clips[0]!.name, body: null, digest: 'unread', doubts: ['None of its clips can be read.'] };
}

/** As it comes out of JSON, so that it is the same in a thread and on another machine; without the reasons in words. */
function plainBody(body: Body): Body {
  return JSON.parse(JSON.stringify(body, (key, value) => (key === 'evidence' && Array.isArray(value) ? [] : value)));
}

/** What of a body decides a result; evidence in words does not. */
function digestOf(body: Body): string {
  const { humanoid, roles, spineChain, neckChain, helpers, frame, poseFrame } = body;
  const { up, facing, metresPerUnit, height, floor } = frame;
  return hashOf({
    humanoid,
    roles,
    spineChain,
    neckChain,
    helpers,
    up,
    facing,
    metresPerUnit,
    height,
    floor,
    poseFrame,
  });
}

/** What geometry and names leave open. */
function doubtsOf(body: Body): string[] {
  if (!body.humanoid) return [`Not read as a human body: ${body.reason}`];
  const doubts = body.frame.unsure.map((what) => `${DIRECTIONS[what]}: ${body.frame.evidence[what]}`);
  const unsure = Object.values(body.readings).filter(({ confidence }) => confidence < SURE);
  if (unsure.length > 0) doubts.push(`Unsure of ${unsure.map(({ role }) => role).join(', ')}.`);
  return doubts;
}

const DIRECTIONS = {
  up: 'Unsure which way is up',
  facing: 'Unsure which way it faces',
  metresPerUnit: 'Unsure of the unit',
};

async function readSkeleton({ path }: ClipEntry): Promise<{ skeleton: Skeleton; isGltf: boolean }> {
  const opened = await openFile(path);
  if (opened.kind === 'clip') return { skeleton: opened.file.takes[0]!.skeleton, isGltf: false };
  return { skeleton: opened.character.skeleton, isGltf: true };
}

/** The motion of the longest clip that can be read. Only BVH: a glTF file declares how it stands. */
async function readLongest(bySize: readonly ClipEntry[]): Promise<{ name: string; motion: Clip } | null> {
  for (const clip of bySize.toReversed()) {
    if (clip.kind !== 'bvh') continue;
    try {
      const opened = await openFile(clip.path);
      if (opened.kind === 'clip') return { name: clip.name, motion: opened.file.takes[0]!.clip };
    } catch {
      // As above: its own line will say what is wrong with it.
    }
  }
  return null;
}
