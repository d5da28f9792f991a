import { framePose, restLocalPose } from '../skeleton/clip.ts';
import { createWorldPose, isWithin } from '../skeleton/skeleton.ts';
import { type SkinMesh, skinVertices } from '../skeleton/skin.ts';
import { areaOf, coneVolume, edgeRatios, type SkinPart, splitSkin, unitOfBindShape } from '../skeleton/skin-parts.ts';
import { BODY_PARTS, type BodyPart, partOfRole } from './body-parts.ts';
import { type Exercise, exerciseClip } from './exercise-clip.ts';
import { FINDING_RULES, type Finding, type FindingPlace } from './finding.ts';
import { distanceToMesh, windingNumber } from './inside.ts';
import { finding, meshPlace } from './report.ts';
import { distance, type RigView } from './view.ts';
import { leaderOf } from './weights.ts';

/** What the exercise clip showed, whether or not it is a finding. Plain data. */
export interface ExerciseMeasures {
  frames: number;
  fps: number;
  /** By body part: how many times longer its edges become (98 % of them stay below), and when. */
  stretch: { part: BodyPart; ratio: number; frame: number; move: string; mesh: string; vertex: number }[];
  /** By joint: the share of the volume around it that is lost, and when. */
  collapse: { joint: string; role: string; lost: number; frame: number; move: string; mesh: string }[];
  /** By limb: how deep it lies in another part, m. */
  penetration: {
    part: BodyPart;
    inside: BodyPart;
    depth: number;
    frame: number;
    move: string;
    mesh: string;
    vertex: number;
  }[];
}

/** Pieces with fewer edges are trimmings. */
const FEWEST_EDGES = 12;
/** A piece whose volume is below this share of (surface area)^1.5 is cloth or lies beside its joint; a ball has 0.094. */
const FULLNESS_MIN = 0.012;
/** A mesh that holds less than this share of the volume around a joint only has a hem there. */
const MAIN_SHARE = 0.25;
/**
 * Radius around a joint in which volume is measured, as a share of the shorter of the two bones that meet there: the
 * first that reaches around the limb.
 */
const AROUND = [0.4, 0.6, 0.8];
/** Share of all directions in which a joint has to see the piece around it. */
const SURROUNDED = 0.5;
/** Vertices of a limb that are tried for lying inside another part. */
const MOST_PROBES = 60;

/** Joints whose volume is watched, with the roles whose joints end the bones that meet there. */
const WATCHED = (['left', 'right'] as const).flatMap(
  (side) =>
    [
      [`${side}LowerArm`, `${side}UpperArm`, `${side}Hand`],
      [`${side}LowerLeg`, `${side}UpperLeg`, `${side}Foot`],
      [`${side}UpperArm`, `${side}LowerArm`, `${side}LowerArm`],
      [`${side}UpperLeg`, `${side}LowerLeg`, `${side}LowerLeg`],
    ] as const,
);

/** Plays the routine on the rig and measures the skin at the height of each move. */
export function runExercise(
  view: RigView,
): { exercise: Exercise; measures: ExerciseMeasures; findings: Finding[] } | null {
  const { skeleton, skins, posture, roles } = view;
  if (!posture || skins.length === 0) return null;
  const exercise = exerciseClip(skeleton, roles, posture);
  const { clip, heights } = exercise;
  const watches = skins.flatMap((skin, mesh) => (isHeld(view, skin) ? [] : [watchMesh(view, skin, mesh)]));
  keepMainVolumes(watches);
  const stretch = new Map<number, ExerciseMeasures['stretch'][number] & { meshIndex: number }>();
  const collapse = new Map<number, ExerciseMeasures['collapse'][number] & { vertices: number[]; meshIndex: number }>();
  const penetration = new Map<string, ExerciseMeasures['penetration'][number] & { meshIndex: number }>();
  const scratch = restLocalPose(skeleton);
  const pose = createWorldPose(skeleton.jointCount);
  for (const { frame, move } of heights) {
    framePose(skeleton, clip, frame, scratch, pose);
    for (const { skin, world, matrices } of watches) skinVertices(skin, pose, world, matrices);
    for (const watch of watches) {
      const { skin, mesh, world, scale } = watch;
      for (const part of watch.parts) {
        const known = stretch.get(part.part);
        const { high, vertex } = edgeRatios(part, world, scale, known?.ratio);
        if (known && known.ratio >= high) continue;
        const name = BODY_PARTS[part.part]!;
        stretch.set(part.part, { part: name, ratio: high, frame, move, mesh: skin.name, vertex, meshIndex: mesh });
      }
      for (const { joint, piece, volume, vertices } of watch.volumes) {
        const lost = Math.min(1, Math.max(0, 1 - coneVolume(piece, world, pose.positions, joint * 3) / volume));
        const known = collapse.get(joint);
        if (known && known.lost >= lost) continue;
        const role = view.roleOf[joint]!;
        const name = skeleton.names[joint]!;
        collapse.set(joint, { joint: name, role, lost, frame, move, mesh: skin.name, vertices, meshIndex: mesh });
      }
    }
    for (const hit of penetrations(watches)) {
      const key = [hit.part, hit.inside]
        .map((part) => limbOf(BODY_PARTS.indexOf(part)))
        .sort()
        .join(' ');
      const known = penetration.get(key);
      if (!known || known.depth < hit.depth) penetration.set(key, { ...hit, frame, move });
    }
  }
  const plain = <T extends { meshIndex: number }>(entries: Iterable<T>) =>
    [...entries].map(({ meshIndex: _, ...rest }) => rest);
  const measures: ExerciseMeasures = {
    frames: clip.frameCount,
    fps: Math.round(1 / clip.frameDuration),
    stretch: plain(stretch.values()).sort((a, b) => b.ratio - a.ratio),
    collapse: plain(collapse.values())
      .map(({ vertices: _, ...rest }) => rest)
      .sort((a, b) => b.lost - a.lost),
    penetration: plain(penetration.values()).sort((a, b) => b.depth - a.depth),
  };
  const at = (place: FindingPlace, frame: number): FindingPlace => ({ ...place, frames: [frame, frame] });
  const torn = [...stretch.values()]
    .filter(({ ratio }) => ratio > FINDING_RULES['skin-stretch'].threshold)
    .map(({ ratio, frame, move, vertex, meshIndex }) =>
      at(
        meshPlace(
          view,
          meshIndex,
          [vertex],
          leaders(view, meshIndex, vertex),
          ratio,
          `"${move}": ${ratio.toFixed(1)} times`,
        ),
        frame,
      ),
    );
  const pinched = [...collapse.entries()]
    .filter(([, { lost }]) => lost > FINDING_RULES['skin-collapse'].threshold)
    .map(([joint, { lost, frame, move, vertices, meshIndex }]) =>
      at(
        meshPlace(
          view,
          meshIndex,
          vertices,
          [joint],
          lost,
          `"${move}": ${Math.round(lost * 100)} % of the volume lost`,
        ),
        frame,
      ),
    );
  const deep = [...penetration.values()]
    .filter(({ depth }) => depth > FINDING_RULES['self-penetration'].threshold * view.legLength)
    .map(({ depth, frame, move, vertex, meshIndex, inside }) =>
      at(
        meshPlace(
          view,
          meshIndex,
          [vertex],
          leaders(view, meshIndex, vertex),
          depth / view.legLength,
          `"${move}": ${Math.round(depth * 1000)} mm inside the ${spaced(inside)}`,
        ),
        frame,
      ),
    );
  return {
    exercise,
    measures,
    findings: [
      ...finding('skin-stretch', torn),
      ...finding('skin-collapse', pinched),
      ...finding('self-penetration', deep),
    ],
  };
}

const spaced = (part: string): string => part.replace(/[A-Z]/g, (letter) => ` ${letter.toLowerCase()}`);

function leaders(view: RigView, mesh: number, vertex: number): number[] {
  const leader = leaderOf(view, mesh, vertex);
  return leader < 0 ? [] : [leader];
}

/** A mesh that follows one joint of a hand, or below it, and no other: a thing that is held is no part of the body. */
function isHeld(view: RigView, skin: SkinMesh): boolean {
  let only = -1;
  for (let i = 0; i < skin.weights.length; i++) {
    if (skin.weights[i]! <= 0 || skin.joints[i] === only) continue;
    if (only >= 0) return false;
    only = skin.joints[i]!;
  }
  const hands = [view.roles.leftHand, view.roles.rightHand];
  return (
    hands.some((hand) => hand !== undefined && only >= 0 && isWithin(view.skeleton, hand, only)) &&
    view.skins.length > 1
  );
}

interface MeshWatch {
  skin: SkinMesh;
  mesh: number;
  world: Float64Array;
  matrices: Float64Array;
  scale: number;
  /** Pieces by body part, numbered as BODY_PARTS. */
  parts: SkinPart[];
  volumes: { joint: number; piece: SkinPart; volume: number; vertices: number[] }[];
  /** Vertices of the lower limbs, by part, that are outside of each other part at rest. */
  probes: { part: number; vertices: number[] }[];
}

function watchMesh(view: RigView, skin: SkinMesh, mesh: number): MeshWatch {
  const rest = view.vertices[mesh]!;
  const partOfVertex = new Int16Array(skin.vertexCount).fill(-1);
  const roleOfVertex: (string | null)[] = new Array(skin.vertexCount).fill(null);
  for (let v = 0; v < skin.vertexCount; v++) {
    let j = leaderOf(view, mesh, v);
    while (j >= 0 && view.roleOf[j] === null) j = view.skeleton.parents[j]!;
    if (j < 0) continue;
    roleOfVertex[v] = view.roleOf[j]!;
    partOfVertex[v] = BODY_PARTS.indexOf(partOfRole(view.roleOf[j]!));
  }
  const parts = splitSkin(skin, partOfVertex, FEWEST_EDGES);
  const scale = unitOfBindShape(parts, rest);
  const volumes: MeshWatch['volumes'] = [];
  for (const [role, above, below] of WATCHED) {
    const [joint, upper, lower] = [view.roles[role], view.roles[above], view.roles[below]];
    if (joint === undefined || upper === undefined || lower === undefined) continue;
    const positions = view.pose.positions;
    const shorter = Math.min(distance(positions, joint, upper), distance(positions, joint, lower));
    const otherSide = role.startsWith('left') ? 'right' : 'left';
    const isOther = (v: number) => roleOfVertex[v]?.startsWith(otherSide) ?? false;
    for (const share of AROUND) {
      const found = pieceAround(skin, rest, positions, joint, share * shorter, isOther);
      if (!found) continue;
      volumes.push({ joint, ...found });
      break;
    }
  }
  const limbs = BODY_PARTS.flatMap((name, part) => (/Arm|Hand|Leg|Foot/.test(name) ? [part] : []));
  const probes = limbs.flatMap((part) => {
    const own: number[] = [];
    for (let v = 0; v < skin.vertexCount; v++)
      if (partOfVertex[v] === part && !/Upper|Shoulder/.test(roleOfVertex[v]!)) own.push(v);
    const step = Math.max(1, Math.ceil(own.length / MOST_PROBES));
    const vertices = own.filter((_, i) => i % step === 0);
    return vertices.length > 0 ? [{ part, vertices }] : [];
  });
  return {
    skin,
    mesh,
    world: new Float64Array(skin.vertexCount * 3),
    matrices: new Float64Array(skin.bind.length),
    scale,
    parts,
    volumes,
    probes,
  };
}

/** The skin within a radius of a joint, if it goes all around it and holds a volume. */
function pieceAround(
  skin: SkinMesh,
  rest: Float64Array,
  positions: Float64Array,
  joint: number,
  radius: number,
  isOther: (v: number) => boolean,
): { piece: SkinPart; volume: number; vertices: number[] } | null {
  const near = new Int16Array(skin.vertexCount).fill(-1);
  const vertices: number[] = [];
  for (let v = 0; v < skin.vertexCount; v++) {
    const x = rest[v * 3]! - positions[joint * 3]!;
    const y = rest[v * 3 + 1]! - positions[joint * 3 + 1]!;
    const z = rest[v * 3 + 2]! - positions[joint * 3 + 2]!;
    if (x * x + y * y + z * z > radius * radius || isOther(v)) continue;
    near[v] = 0;
    vertices.push(v);
  }
  if (vertices.length === 0) return null;
  const piece = splitSkin(skin, near, FEWEST_EDGES)[0];
  // Skin on one side only is no tube whose volume could be judged.
  if (!piece || Math.abs(windingNumber(rest, piece.triangles, positions, joint * 3)) < SURROUNDED) return null;
  const volume = coneVolume(piece, rest, positions, joint * 3);
  return Math.abs(volume) > FULLNESS_MIN * areaOf(piece, rest) ** 1.5 ? { piece, volume, vertices } : null;
}

/** Of several meshes around one joint (sleeve and arm) only those that hold a good part of the volume are watched. */
function keepMainVolumes(watches: MeshWatch[]): void {
  const fullest = new Map<number, number>();
  for (const { volumes } of watches)
    for (const { joint, volume } of volumes) fullest.set(joint, Math.max(fullest.get(joint) ?? 0, Math.abs(volume)));
  for (const watch of watches)
    watch.volumes = watch.volumes.filter(({ joint, volume }) => Math.abs(volume) >= MAIN_SHARE * fullest.get(joint)!);
}

/** The limb that a part belongs to; a hand goes with its arm, a foot with its leg, the head with the trunk. */
function limbOf(part: number): string {
  return BODY_PARTS[part]!.replace('Hand', 'Arm').replace('Foot', 'Leg').replace('head', 'trunk');
}

type Hit = { part: BodyPart; inside: BodyPart; depth: number; mesh: string; vertex: number; meshIndex: number };

/** The deepest vertex of each limb in each part of another limb or the trunk, in the pose at hand. */
function penetrations(watches: readonly MeshWatch[]): Hit[] {
  const hits = new Map<string, Hit>();
  const targets = watches.flatMap(({ world, parts }) =>
    parts.map((piece) => ({ piece, world, box: boxOf(piece, world) })),
  );
  for (const { skin, mesh, world, probes } of watches)
    for (const { part, vertices } of probes)
      for (const { piece, world: around, box } of targets) {
        if (limbOf(piece.part) === limbOf(part)) continue;
        for (const v of vertices) {
          let isNear = true;
          for (let k = 0; k < 3 && isNear; k++) isNear = world[v * 3 + k]! > box[k]! && world[v * 3 + k]! < box[k + 3]!;
          if (!isNear || Math.abs(windingNumber(around, piece.triangles, world, v * 3)) < 0.5) continue;
          const depth = distanceToMesh(around, piece.triangles, world, v * 3);
          const key = `${part} ${piece.part}`;
          const known = hits.get(key);
          if (known && known.depth >= depth) continue;
          hits.set(key, {
            part: BODY_PARTS[part]!,
            inside: BODY_PARTS[piece.part]!,
            depth,
            mesh: skin.name,
            vertex: v,
            meshIndex: mesh,
          });
        }
      }
  return [...hits.values()];
}

function boxOf({ triangles }: SkinPart, p: Float64Array): Float64Array {
  const box = Float64Array.of(Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity);
  for (const v of triangles)
    for (let k = 0; k < 3; k++) {
      box[k] = Math.min(box[k]!, p[v * 3 + k]!);
      box[k + 3] = Math.max(box[k + 3]!, p[v * 3 + k]!);
    }
  return box;
}
