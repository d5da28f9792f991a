/**
 * Ways tried, with 24 frames a clip on three characters: all edges of a part sorted by their stretch in every frame, three
 * quarters of the whole measure; selected by weight among those beyond the worst frame so far, on the vertices that parts are
 * made of alone and with what belongs to the character kept: 2.8 to 0.5 s of a profile of 18 jobs.
 */
import { PARENT_ROLE, ROLES, type Role, sideOf } from '../pairing/roles.ts';
import { framePose, restLocalPose } from '../skeleton/clip.ts';
import { oncePer, oncePerKey } from '../skeleton/once-per.ts';
import { SIDES } from '../skeleton/side.ts';
import { createWorldPose } from '../skeleton/skeleton.ts';
import { keepVertices, type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { areaOf, edgeRatios, type SkinPart, splitSkin, unitOfBindShape, volumeOf } from '../skeleton/skin-parts.ts';
import { type Build, jointName } from './build.ts';
import { type Evidence, measured, notMeasured } from './evidence.ts';
import { bendOf } from './joint-angles.ts';
import { bentBeyond } from './joint-ranges.ts';
import type { Json, Measure, Where } from './measure.ts';
import { partsOfJoints, partsOfVertices } from './parts-of-skin.ts';
import { MEASURE_RULES } from './thresholds.ts';
import type { Track } from './track.ts';

const SKIN_FRAMES = 24;
/** Body parts with fewer edges than this are trimmings. */
const FEWEST_EDGES = 12;
/**
 * A part whose volume is below this share of (surface area)^1.5 is cloth, hair or an open shell and has no volume to lose;
 * a sphere has 0.094, a tube ten times as long as thick 0.05.
 */
const FULLNESS_MIN = 0.012;
/** A part that encloses less than this (cube of leg length) has no volume to lose. */
const SMALLEST_VOLUME = 1e-5;

/** A mesh that holds less than this share of what another holds of the same part has only its hem: no volume of its own. */
const MAIN_SHARE = 0.25;

/** The skin of one body part in one mesh: everything that follows one role more than any other. */
interface Part extends SkinPart {
  role: Role;
  joint: number;
}

interface Shape {
  name: string;
  /** Of the mesh, only the vertices that the parts are made of: of those at one place one. */
  skin: SkinMesh;
  /** The vertex of the whole mesh that each of them is. */
  vertexOf: Uint32Array;
  parts: Part[];
  /** World length of one unit of the bind shape. */
  scale: number;
  /** Signed: negative where the triangles wind the other way round, as in mirrored meshes; 0 for what has no volume. */
  bindVolumes: Float64Array;
}

/**
 * Edge lengths and volumes of the skin by body part, against the shape it was bound in. Parts are left out of frames in which
 * the source bends them as no body can be bent.
 */
export function measureSkin(evidence: Evidence): Measure[] {
  const { target, source } = evidence;
  const skins = target.figure.skins ?? [];
  const none = (why: string) =>
    (['skin-stretch', 'skin-collapse'] as const).map((id) => notMeasured(evidence, id, why));
  if (skins.length === 0) return none('there is no mesh');
  if (target.frameCount === 0) return none('the clip has no frames');
  const shapes = skins.map((skin) => shapeOf(target.build, skin)).filter((shape) => shape.parts.length > 0);
  if (shapes.length === 0) return none('no part of the mesh follows a paired joint');

  const fullest = new Map<Role, number>();
  for (const { parts, bindVolumes, scale } of shapes)
    parts.forEach(({ role }, i) => {
      fullest.set(role, Math.max(fullest.get(role) ?? 0, Math.abs(bindVolumes[i]!) * scale ** 3));
    });
  const limit = evidence.options.thresholds?.['range-of-motion'] ?? MEASURE_RULES['range-of-motion'].threshold;
  const frames = sampledFrames(target.frameCount, evidence.options.skinFrames ?? SKIN_FRAMES);
  const { skeleton, clip } = target.figure;
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  const stretch = new Map<Role, Where>();
  const collapse = new Map<Role, Where>();
  const vertices = new Map<Role, { vertex: number; mesh: string; ratio: number; frame: number }>();
  const note = (map: Map<Role, Where>, part: Part, frame: number, value: number) => {
    const known = map.get(part.role);
    if (known && known.value >= value) return;
    map.set(part.role, {
      role: part.role,
      joint: jointName(target.figure, part.joint),
      frames: [frame, frame],
      worstFrame: frame,
      value,
    });
  };
  for (const shape of shapes) {
    const world = new Float64Array(shape.skin.vertexCount * 3);
    const matrices = new Float64Array(shape.skin.bind.length);
    for (const frame of frames) {
      framePose(skeleton, clip, frame, scratch, pose);
      skinVertices(shape.skin, pose, world, matrices);
      shape.parts.forEach((part, i) => {
        if (source && bendsBeyond(source, part.role, frame, limit)) return;
        const { high, worst, vertex } = edgeRatios(part, world, shape.scale, stretch.get(part.role)?.value);
        note(stretch, part, frame, high);
        const known = vertices.get(part.role);
        if (!known || known.ratio < worst)
          vertices.set(part.role, { vertex: shape.vertexOf[vertex]!, mesh: shape.name, ratio: worst, frame });
        const volume = shape.bindVolumes[i]! * shape.scale ** 3;
        const size = Math.abs(volume);
        if (size > SMALLEST_VOLUME * target.legLength ** 3 && size > MAIN_SHARE * fullest.get(part.role)!) {
          const lost = 1 - volumeOf(part, world) / volume;
          note(collapse, part, frame, Math.min(1, Math.max(0, lost)));
        }
      });
    }
  }
  if (stretch.size === 0) return none('the source bends every part farther than bodies do, in all frames looked at');
  const sampled = { sampledFrames: frames.length, ofFrames: target.frameCount };
  const byPart = (map: Map<Role, Where>): { [key: string]: Json } =>
    Object.fromEntries([...map].map(([role, where]) => [role, where.value]));
  const stretchPlaces = [...stretch.values()].map((place) => {
    const v = vertices.get(place.role)!;
    return {
      ...place,
      note: `worst at vertex ${v.vertex} of ${v.mesh || 'the mesh'}: ${v.ratio.toFixed(1)} times`,
      vertex: { mesh: v.mesh, index: v.vertex },
    };
  });
  // A part that holds in usual bends and gives way in one beyond its range is another fault than one that never holds.
  const collapsePlaces = [...collapse.values()].map((place) => {
    const bend = bendOf(target, place.role, place.worstFrame);
    return bend ? { ...place, note: bend } : place;
  });
  return [
    measured(evidence, 'skin-stretch', largest(stretch), stretchPlaces, {
      ...sampled,
      parts: byPart(stretch),
      worstVertices: Object.fromEntries([...vertices].map(([role, v]) => [role, { ...v }])),
    }),
    collapse.size > 0
      ? measured(evidence, 'skin-collapse', largest(collapse), collapsePlaces, {
          ...sampled,
          parts: byPart(collapse),
        })
      : notMeasured(evidence, 'skin-collapse', 'no body part encloses a volume'),
  ];
}

/** Whether the source bends a part farther than bodies do. */
function bendsBeyond(source: Track, role: Role, frame: number, limit: number): boolean {
  const beyond = bentBeyond(source, role);
  return beyond !== null && frame < beyond.length && beyond[frame]! > limit;
}

function largest(map: Map<Role, Where>): number {
  let most = 0;
  for (const { value } of map.values()) most = Math.max(most, value);
  return most;
}

/** Evenly spread, the first and the last included. */
function sampledFrames(frameCount: number, wanted: number): number[] {
  const count = Math.max(1, Math.min(frameCount, Math.round(wanted)));
  if (count === 1) return [Math.floor((frameCount - 1) / 2)];
  return Array.from({ length: count }, (_, i) => Math.round((i * (frameCount - 1)) / (count - 1)));
}

/** Body parts: each role counts for the part named here; those not listed for what stands above them. */
const PARTS = new Set<Role>([
  'hips',
  'chest',
  'head',
  ...SIDES.flatMap((side): Role[] => [
    `${side}UpperArm`,
    `${side}LowerArm`,
    `${side}Hand`,
    `${side}UpperLeg`,
    `${side}LowerLeg`,
    `${side}Foot`,
  ]),
]);

/** Shoulders go with the upper arm, the neck with the head, the spine with the hips, fingers with the hand, toes with the foot. */
function partOfRole(role: Role): Role {
  if (role === 'neck') return 'head';
  const side = sideOf(role);
  if (side && role === `${side}Shoulder`) return `${side}UpperArm`;
  let part: Role | null = role;
  while (part !== null && !PARTS.has(part)) part = PARENT_ROLE[part];
  return part ?? role;
}

const bodyParts = oncePer((build: Build) => partsOfJoints(build, (role) => ROLES.indexOf(partOfRole(role))));

const shapeOf = oncePerKey((build: Build, skin: SkinMesh): Shape => {
  const partOfVertex = partsOfVertices(skin, bodyParts(build), ROLES.length);
  const pieces = splitSkin(skin, partOfVertex, FEWEST_EDGES);
  const vertexOf = verticesOf(pieces, skin.vertexCount);
  const placeOf = new Uint32Array(skin.vertexCount);
  vertexOf.forEach((vertex, place) => {
    placeOf[vertex] = place;
  });
  const renumber = (list: Uint32Array): Uint32Array => list.map((vertex) => placeOf[vertex]!);
  const parts = pieces.map((piece): Part => {
    const role = ROLES[piece.part]!;
    return {
      ...piece,
      edges: renumber(piece.edges),
      triangles: renumber(piece.triangles),
      rims: piece.rims.map(renumber),
      role,
      joint: build.figure.roles[role] ?? jointOfPart(build, role),
    };
  });
  const kept = keepVertices(skin, vertexOf);
  const world = new Float64Array(kept.vertexCount * 3);
  skinVertices(kept, build.rest, world, new Float64Array(skin.bind.length));
  const bound = Float64Array.from(kept.positions);
  const bindVolumes = Float64Array.from(parts, (part) => {
    const volume = volumeOf(part, bound);
    return Math.abs(volume) > FULLNESS_MIN * areaOf(part, bound) ** 1.5 ? volume : 0;
  });
  return { name: skin.name, skin: kept, vertexOf, parts, scale: unitOfBindShape(parts, world), bindVolumes };
});

/** The vertices that the pieces are made of, in the order of the mesh. */
function verticesOf(pieces: readonly SkinPart[], vertexCount: number): Uint32Array {
  const isUsed = new Uint8Array(vertexCount);
  for (const { triangles } of pieces) for (const vertex of triangles) isUsed[vertex] = 1;
  return Uint32Array.from([...isUsed.keys()].filter((vertex) => isUsed[vertex] === 1));
}

/** A part is named for a role that the figure may lack (a neck without a head): the first joint that counts for it. */
function jointOfPart(build: Build, part: Role): number {
  const { roles } = build.figure;
  return roles[ROLES.find((role) => roles[role] !== undefined && partOfRole(role) === part)!]!;
}
