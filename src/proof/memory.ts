import type { Clip } from '../skeleton/clip.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';
import { type Arena, createArena, reuse } from './arena.ts';
import { type Build, createBuild, type Shape } from './build.ts';
import type { ProofFigure } from './measure.ts';
import { buildTrack, type Track } from './track.ts';

/**
 * What proofs have worked out of clips and characters: one motion is judged on many characters, one character in many motions.
 * An entry lives as long as its clip or its skeleton is held elsewhere. The paths of a target are laid out where those of the one
 * before were: evidence of a target is good until the next is gathered with the same memory.
 */
export interface ProofMemory {
  readonly builds: WeakMap<Skeleton, Build>;
  readonly sources: WeakMap<Clip, { track: Track; firstFrame: number; step: number }>;
  readonly arena: Arena;
}

/** A memory to hand in with each proof. It changes no result, as long as no figure is changed after it was handed in. */
export function createProofMemory(): ProofMemory {
  return { builds: new WeakMap(), sources: new WeakMap(), arena: createArena() };
}

/** @internal The build of a figure: the known one, where the figure has the same skeleton, roles, skins and feet. */
export function knownBuild({ builds }: ProofMemory, figure: Shape): Build {
  const { skeleton } = figure;
  const known = builds.get(skeleton);
  if (known && isSameShape(known.figure, figure)) return known;
  const build = createBuild(figure);
  builds.set(skeleton, build);
  return build;
}

/** @internal A target, frame by frame; the one before is good no longer. */
export function targetTrack(memory: ProofMemory, target: ProofFigure): Track {
  reuse(memory.arena);
  return buildTrack(target, target.clip.frameCount, 0, 1, knownBuild(memory, target), memory.arena);
}

/** @internal A source on a time line: the known track, where it was followed over the same moments before. */
export function knownTrack(
  memory: ProofMemory,
  source: ProofFigure,
  frameCount: number,
  firstFrame: number,
  step: number,
): Track {
  const build = knownBuild(memory, source);
  const known = memory.sources.get(source.clip);
  if (
    known &&
    known.track.build === build &&
    known.track.frameCount === frameCount &&
    known.firstFrame === firstFrame &&
    known.step === step
  )
    return known.track;
  const track = buildTrack(source, frameCount, firstFrame, step, build);
  memory.sources.set(source.clip, { track, firstFrame, step });
  return track;
}

function isSameShape(a: Shape, b: Shape): boolean {
  if (a.skeleton !== b.skeleton || a.feet !== b.feet) return false;
  const [own, its] = [Object.entries(a.roles), b.roles as Record<string, number | undefined>];
  if (own.length !== Object.keys(its).length || own.some(([role, joint]) => its[role] !== joint)) return false;
  const [skins, others] = [a.skins ?? [], b.skins ?? []];
  return skins.length === others.length && skins.every((skin, i) => skin === others[i]);
}
