import { type Note, RigproofError } from '../../errors.ts';
import { transformPoint } from '../../math/affine.ts';
import type { LocalPose } from '../../skeleton/clip.ts';
import {
  buildSkeleton,
  createWorldPose,
  forwardKinematics,
  type JointSource,
  type Skeleton,
} from '../../skeleton/skeleton.ts';
import { isCompressed, readAccessor } from './accessor.ts';
import type { CandidatePose, Character, HumanoidTable, ReferencePoseKind } from './character.ts';
import type { GltfContainer } from './container.ts';
import type { DracoDecoder } from './draco.ts';
import { readHumanoidTable } from './humanoid-table.ts';
import { bindNodes, fromNodeTransforms, type NodeBinding } from './node-binding.ts';
import { documentOf, type NodeTree, nodeName, readNodes } from './nodes.ts';
import { readSkins } from './read-skins.ts';
import { measurePosture, readBindPose, type SkinBinding, samePose } from './reference-pose.ts';
import { addNodesAbove, selectJoints } from './select-joints.ts';
import {
  type AnimationTracks,
  animationDuration,
  createPoseSampler,
  extentOf,
  findMovingNodes,
  readAllTracks,
} from './tracks.ts';

export interface ReadCharacterOptions {
  /** Without one, Draco-compressed meshes are left out of `skins`, with a note. */
  dracoDecoder?: DracoDecoder;
  /** Takes this candidate as the reference pose instead of choosing by evidence. */
  referencePose?: ReferencePoseKind;
  /** Takes the node above the topmost joints as a joint too, so that it can be keyed. */
  nodeAbove?: boolean;
}

/** By how much more a bind pose has to look like a T than node rest, to be taken for the reference pose. */
const BIND_POSE_MARGIN = 0.1;
/** The same for the first key of a clip, which may just as well be the start of a gesture. */
const FIRST_KEY_MARGIN = 0.3;
/** A joint whose axes are scaled more unevenly than this is worth a note. */
const UNEVEN_SCALE = 1e-3;

/**
 * Reads a glTF document as a character: skeleton in its reference pose, skins, humanoid table, animations.
 *
 * The skeleton is rigid. Which nodes are joints is decided by `selectJoints`; nodes above that nothing moves are folded
 * into the roots, scales are baked into the offsets, and `binding` leads back to the nodes exactly. Space and unit are
 * those of the file.
 *
 * The reference pose is node rest, unless the bind pose or the first key of an animation looks more like a T by a margin
 * (see `measurePosture`): in many files the nodes stand in some other pose.
 *
 * @throws RigproofError `GLTF_NO_SKELETON`, `GLTF_COUNT` (more joints than 32,767), and those of the accessors read
 */
export function readCharacter(container: GltfContainer, options: ReadCharacterOptions = {}): Character {
  const { name } = container;
  const document = documentOf(container);
  const notes: Note[] = [...container.notes];
  const tree = readNodes(container);
  const table = readHumanoidTable(container, notes);
  const tracks = readAllTracks(container, notes);
  const moving = findMovingNodes(container, tree, tracks);
  const selection = selectJoints(container, tree, table?.nodes.values() ?? [], moving);
  if (selection.sceneIgnored) {
    notes.push({
      code: 'GLTF_SCENE_WITHOUT_SKELETON',
      severity: 'warning',
      message: 'The default scene does not hold the skeleton; all nodes of the file were used.',
      place: { file: name, pointer: '/scene' },
    });
  }
  if (options.nodeAbove) addNodesAbove(tree, selection.isJoint);
  const { rest, binding, jointOfNode } = packJoints(container, tree, selection.isJoint, selection.tips);
  const { jointCount, parents } = rest;
  noteScales(container, binding, rest, notes);

  const nodeRest: LocalPose = { rotations: rest.restRotations, translations: rest.restTranslations };
  const skinBindings = bindSkins(container, jointOfNode, selection.inScene, notes);
  const skinned = new Uint8Array(jointCount);
  for (const { joints } of skinBindings) for (const j of joints) if (j >= 0) skinned[j] = 1;
  const complete = skinBindings.filter((skin) => !skin.joints.includes(-1));
  const bindPose = readBindPose(container, tree, binding, parents, nodeRest, complete, notes);
  const firstKey = bestFirstKey(container, tree, binding, rest, tracks);
  const { skeleton, referencePose, otherPoses } = chooseReference(rest, nodeRest, bindPose, firstKey, options, name);

  const worldRest = createWorldPose(jointCount);
  forwardKinematics(parents, nodeRest.rotations, nodeRest.translations, worldRest);
  const skins = readSkins(
    container,
    tree,
    binding,
    jointOfNode,
    worldRest,
    skinBindings,
    selection.inScene,
    options.dracoDecoder,
    notes,
  );
  let humanoidTable: HumanoidTable | null = null;
  if (table) {
    const joints: HumanoidTable['joints'] = {};
    for (const [bone, node] of table.nodes) if (jointOfNode[node]! >= 0) joints[bone] = jointOfNode[node]!;
    humanoidTable = { standard: table.standard, joints };
  }
  const animations = (document.animations ?? []).map((animation, i) => ({
    name: animationName(animation, i),
    duration: animationDuration(container, i, tracks[i]!),
  }));
  return {
    name,
    container,
    skeleton,
    binding,
    nodes: tree,
    skinned,
    skins,
    referencePose,
    otherPoses,
    humanoidTable,
    animations,
    notes,
  };
}

/** Name of an animation; one without a name is called `#` and its index. */
export function animationName({ name }: { name?: unknown }, index: number): string {
  return typeof name === 'string' && name !== '' ? name : `#${index}`;
}

interface NodeJoint extends JointSource {
  node: number;
  children: NodeJoint[];
}

/** The skeleton at node rest. */
function packJoints(
  container: GltfContainer,
  tree: NodeTree,
  isJoint: Uint8Array,
  tips: Map<number, number[]>,
): { rest: Skeleton; binding: NodeBinding; jointOfNode: Int32Array } {
  const { nodes = [] } = documentOf(container);
  const sources = new Map<number, NodeJoint>();
  const roots: NodeJoint[] = [];
  for (const i of tree.order) {
    if (!isJoint[i]) continue;
    const source: NodeJoint = {
      node: i,
      name: nodeName(nodes[i]!, i),
      rotation: [0, 0, 0, 1],
      translation: [0, 0, 0],
      children: [],
      tips: (tips.get(i) ?? []).flatMap((tip) => {
        const place = new Float64Array(3);
        transformPoint(place, 0, tree.remainders, i * 12, tree.translations, tip * 3);
        const offset = [place[0]!, place[1]!, place[2]!] as const;
        return Math.hypot(...offset) > 0 ? [{ offset, name: nodeName(nodes[tip]!, tip) }] : [];
      }),
    };
    sources.set(i, source);
    const parent = sources.get(tree.parents[i]!);
    if (parent) parent.children.push(source);
    else roots.push(source);
  }
  if (sources.size > 32_767) {
    throw new RigproofError(
      'GLTF_COUNT',
      `The skeleton has ${sources.size} joints; at most 32767 can be read.`,
      { file: container.name, pointer: '/nodes' },
      { hint: 'Export the character alone, without the scene around it.' },
    );
  }
  const { skeleton, order } = buildSkeleton(roots);
  const jointNodes = Int32Array.from(order, (source) => source.node);
  const jointOfNode = new Int32Array(tree.count).fill(-1);
  for (let j = 0; j < jointNodes.length; j++) jointOfNode[jointNodes[j]!] = j;
  const binding = bindNodes(tree, jointNodes, skeleton.parents);
  const local = {
    rotations: new Float64Array(jointNodes.length * 4),
    translations: new Float64Array(jointNodes.length * 3),
  };
  for (let j = 0; j < jointNodes.length; j++) {
    const i = jointNodes[j]!;
    local.rotations.set(tree.rotations.subarray(i * 4, i * 4 + 4), j * 4);
    local.translations.set(tree.translations.subarray(i * 3, i * 3 + 3), j * 3);
  }
  fromNodeTransforms(binding, local, local);
  const rest = { ...skeleton, restRotations: local.rotations, restTranslations: local.translations };
  return { rest, binding, jointOfNode };
}

function noteScales(container: GltfContainer, binding: NodeBinding, rest: Skeleton, notes: Note[]): void {
  for (let j = 0; j < rest.jointCount; j++) {
    const m = binding.remainders.subarray(j * 12, j * 12 + 12);
    const lengths = [0, 1, 2].map((k) => Math.hypot(m[k]!, m[k + 4]!, m[k + 8]!));
    const smallest = Math.min(...lengths);
    const place = { file: container.name, pointer: `/nodes/${binding.nodes[j]}/scale`, joint: rest.names[j]! };
    if (smallest === 0) {
      const message = 'The joint is scaled to nothing: what hangs from it cannot be placed.';
      notes.push({ code: 'GLTF_ZERO_SCALE', severity: 'warning', message, place });
    } else if (Math.max(...lengths) > smallest * (1 + UNEVEN_SCALE)) {
      const message = `The joint is scaled unevenly (${lengths.map((length) => length.toPrecision(4)).join(', ')}): limbs below it shear when it turns.`;
      notes.push({ code: 'GLTF_UNEVEN_SCALE', severity: 'warning', message, place });
    }
  }
}

function bindSkins(
  container: GltfContainer,
  jointOfNode: Int32Array,
  inScene: Uint8Array,
  notes: Note[],
): SkinBinding[] {
  const { skins = [], nodes = [] } = documentOf(container);
  return skins.map((skin, index) => {
    let inverseBind: Float64Array | null = null;
    const accessor = skin.inverseBindMatrices;
    const pointer = `/skins/${index}/inverseBindMatrices`;
    if (accessor !== undefined && isCompressed(container, accessor)) {
      const message = 'The bind matrices are compressed in a way that is not decoded here: no bind pose is known.';
      notes.push({ code: 'GLTF_COMPRESSED', severity: 'warning', message, place: { file: container.name, pointer } });
    } else if (accessor !== undefined) {
      const columns = readAccessor(container, accessor, 'MAT4', pointer);
      inverseBind = new Float64Array(skin.joints.length * 12);
      for (let e = 0; e < skin.joints.length; e++) {
        for (let row = 0; row < 3; row++) {
          for (let column = 0; column < 4; column++) {
            inverseBind[e * 12 + row * 4 + column] = columns[e * 16 + column * 4 + row]!;
          }
        }
      }
    }
    const meshNodes: number[] = [];
    nodes.forEach((node, i) => {
      if (node.skin === index && node.mesh !== undefined && inScene[i]) meshNodes.push(i);
    });
    return { index, joints: Int32Array.from(skin.joints, (node) => jointOfNode[node]!), inverseBind, meshNodes };
  });
}

interface FirstKey {
  animation: number;
  name: string;
  pose: LocalPose;
}

/** Of the first keys of all animations, the one that looks most like a T. */
function bestFirstKey(
  container: GltfContainer,
  tree: NodeTree,
  binding: NodeBinding,
  rest: Skeleton,
  animations: readonly (AnimationTracks | null)[],
): FirstKey | null {
  const { jointCount, parents } = rest;
  const size = extentOf(
    worldPositions(parents, { rotations: rest.restRotations, translations: rest.restTranslations }),
    3,
  );
  let best: FirstKey | null = null;
  let bestScore = Number.NEGATIVE_INFINITY;
  animations.forEach((tracks, animation) => {
    if (tracks === null || !binding.nodes.some((node) => tracks.tracks.has(node))) return;
    const pose = { rotations: new Float64Array(jointCount * 4), translations: new Float64Array(jointCount * 3) };
    createPoseSampler(tree, binding, parents, tracks).sample(tracks.start, pose);
    const { score } = measurePosture(worldPositions(parents, pose), size || 1);
    if (score <= bestScore) return;
    const name = animationName(documentOf(container).animations![animation]!, animation);
    best = { animation, name, pose };
    bestScore = score;
  });
  return best;
}

function worldPositions(parents: Int16Array, pose: LocalPose): Float64Array {
  const world = createWorldPose(parents.length);
  forwardKinematics(parents, pose.rotations, pose.translations, world);
  return world.positions;
}

function chooseReference(
  rest: Skeleton,
  nodeRest: LocalPose,
  bindPose: LocalPose | null,
  firstKey: FirstKey | null,
  options: ReadCharacterOptions,
  file: string,
): Pick<Character, 'skeleton' | 'referencePose' | 'otherPoses'> {
  const { parents } = rest;
  const offered: (CandidatePose & { margin: number; label: string })[] = [
    { kind: 'node rest', ...nodeRest, margin: 0, label: 'node rest' },
  ];
  const bindIsRest = bindPose !== null && samePose(parents, nodeRest, bindPose);
  if (bindPose && !bindIsRest) {
    offered.push({ kind: 'bind pose', ...bindPose, margin: BIND_POSE_MARGIN, label: 'the bind pose' });
  }
  if (firstKey) {
    const { animation, name, pose } = firstKey;
    const label = `the first key of "${name}"`;
    offered.push({ kind: 'first key', animation, ...pose, margin: FIRST_KEY_MARGIN, label });
  }
  const positions = offered.map((candidate) => worldPositions(parents, candidate));
  const size = Math.max(...positions.map((points) => extentOf(points, 3))) || 1;
  const candidates = offered.map((candidate, k) => ({ ...candidate, measure: measurePosture(positions[k]!, size) }));
  let chosen = candidates[0]!;
  for (const candidate of candidates) {
    if (candidate.measure.score - candidate.margin > chosen.measure.score - chosen.margin) chosen = candidate;
  }
  const share = (value: number): string => `${Math.round(value * 100)} %`;
  const seen = candidates.map(
    ({ label, measure: { width, height, asymmetry } }) =>
      `${label} is ${share(width)} wide, ${share(height)} tall and ${(asymmetry * 100).toFixed(1)} % off symmetry`,
  );
  if (bindIsRest) seen.push('the bind pose is the same as node rest');
  else if (!bindPose) seen.push('there is no bind pose');
  const rule = chosen === candidates[0] ? 'nothing else looks clearly more like a T' : 'it looks clearly more like a T';
  let reason = `${chosen.label} is taken, since ${rule}: ${seen.join('; ')}`;
  if (options.referencePose) {
    const wanted = candidates.find((candidate) => candidate.kind === options.referencePose);
    if (wanted) {
      chosen = wanted;
      reason = 'asked for';
    } else if (options.referencePose === 'bind pose' && bindIsRest) {
      reason = 'the bind pose was asked for; it is the same as node rest';
    } else {
      throw new RigproofError(
        'GLTF_NO_POSE',
        `The file has no ${options.referencePose}.`,
        { file },
        { hint: `It offers: ${candidates.map((candidate) => candidate.kind).join(', ')}.` },
      );
    }
  }
  const skeleton = { ...rest, restRotations: chosen.rotations, restTranslations: chosen.translations };
  return {
    skeleton,
    referencePose: {
      kind: chosen.kind,
      ...(chosen.animation === undefined ? {} : { animation: chosen.animation }),
      reason,
    },
    otherPoses: candidates
      .filter((candidate) => candidate !== chosen)
      .map(({ kind, animation, rotations, translations }) => ({
        kind,
        ...(animation === undefined ? {} : { animation }),
        rotations,
        translations,
      })),
  };
}
