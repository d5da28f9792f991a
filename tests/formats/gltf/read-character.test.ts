import { describe, expect, it } from 'vitest';
import { RigproofError } from '../../../src/errors.ts';
import type { Character } from '../../../src/formats/gltf/character.ts';
import { parseContainer } from '../../../src/formats/gltf/container.ts';
import { type ReadCharacterOptions, readCharacter } from '../../../src/formats/gltf/read-character.ts';
import { restWorldPose } from '../../../src/skeleton/skeleton.ts';
import { GltfBuilder, type NodeOptions } from '../../support/gltf-builder.ts';

/** m. Positions of a few nodes in Float64. */
const TOLERANCE = 1e-9;
const HALF = Math.SQRT1_2;

const read = (builder: GltfBuilder, options?: ReadCharacterOptions): Character =>
  readCharacter(parseContainer(builder.glb(), 'test.glb'), options);

const codeOf = (run: () => unknown): string => {
  try {
    run();
  } catch (error) {
    if (error instanceof RigproofError) return error.code;
    throw error;
  }
  return 'nothing was refused';
};

/** World position of each joint by name; the last one of a name. */
function positions({ skeleton }: Character): { [name: string]: number[] } {
  const pose = restWorldPose(skeleton);
  return Object.fromEntries(
    skeleton.names.map((name, j) => [name, Array.from(pose.positions.subarray(j * 3, j * 3 + 3))]),
  );
}

function expectNear(actual: readonly number[] | undefined, expected: readonly number[], tolerance = TOLERANCE): void {
  expect(actual).toHaveLength(expected.length);
  expected.forEach((value, k) => {
    expect(Math.abs(actual![k]! - value)).toBeLessThanOrEqual(tolerance);
  });
}

/** Three joints in a row, 0.5 apart along their own Y, skinned; the caller puts things above, below and beside. */
function limb(
  above: NodeOptions = {},
  first: NodeOptions = {},
): { builder: GltfBuilder; joints: number[]; top: number } {
  const builder = new GltfBuilder();
  const [top, ...joints] = builder.chain([
    { name: 'top', ...above },
    { name: 'a', translation: [0, 0.5, 0], ...first },
    { name: 'b', translation: [0, 0.5, 0] },
    { name: 'c', translation: [0, 0.5, 0] },
  ]);
  builder.scene([top!]);
  builder.skin(joints);
  return { builder, joints, top: top! };
}

describe('which nodes are joints', () => {
  it('folds an armature that nothing moves into the roots, with its scale and rotation', () => {
    const { builder } = limb({ scale: [100, 100, 100], rotation: [-HALF, 0, 0, HALF], translation: [1, 2, 3] });
    const character = read(builder);
    expect(character.skeleton.names).toEqual(['a', 'b', 'c']);
    // -90 degrees about X take Y to -Z.
    expectNear(positions(character).a, [1, 2, -47]);
    expectNear(positions(character).c, [1, 2, -147]);
  });

  it('reads a matrix node as what it is', () => {
    // Z up to Y up: columns (1 0 0) (0 0 -1) (0 1 0); scale 2; moved by (0, 0, 4)
    const { builder } = limb({ matrix: [2, 0, 0, 0, 0, 0, -2, 0, 0, 2, 0, 0, 0, 0, 4, 1] });
    expectNear(positions(read(builder)).b, [0, 0, 2]);
  });

  it('writes a node without a name, or with an empty one, as # and its index', () => {
    const { builder, joints } = limb({}, { name: undefined });
    builder.json.nodes[joints[1]!]!.name = '';
    expect(read(builder).skeleton.names).toEqual(['#1', '#2', 'c']);
  });

  it('keeps joints that share a name apart', () => {
    const { builder, joints } = limb({}, { name: 'b' });
    const character = read(builder);
    expect(character.skeleton.names).toEqual(['b', 'b', 'c']);
    expect(Array.from(character.binding.nodes)).toEqual(joints);
  });

  it('takes the nodes between joints, those above that keys move, and none that keys leave where they are', () => {
    const { builder, top, joints } = limb({}, { name: 'between' });
    builder.json.skins[0]!.joints = [joints[2]!];
    const carrier = builder.node({ name: 'carrier', children: [top] });
    const still = builder.node({ name: 'still', children: [carrier], translation: [1, 0, 0] });
    builder.json.scenes[0]!.nodes = [still];
    builder.animation('go', [
      { node: carrier, path: 'translation', times: [0, 1], values: [0, 0, 0, 0, 0, 1] },
      { node: still, path: 'translation', times: [0, 1], values: [1, 0, 0, 1, 0, 0] },
    ]);
    const character = read(builder);
    expect(character.skeleton.names).toEqual(['carrier', 'top', 'between', 'b', 'c']);
    expect(Array.from(character.skinned)).toEqual([0, 0, 0, 0, 1]);
    expectNear(positions(character).c, [1, 1.5, 0]);
  });

  it('takes a childless node below a joint as a tip, and a branch without meshes as joints that end in one', () => {
    const { builder, joints } = limb({ scale: [2, 2, 2] });
    const end = builder.node({ name: 'c_end', translation: [0, 0.25, 0] });
    const same = builder.node({ name: 'c_same' });
    const helperEnd = builder.node({ name: 'helper_end', translation: [0, 0, 1] });
    const helper = builder.node({ name: 'helper', translation: [1, 0, 0], children: [helperEnd] });
    builder.json.nodes[joints[2]!]!.children = [end, same, helper];
    const { skeleton } = read(builder);
    expect(skeleton.names).toEqual(['a', 'b', 'c', 'helper']);
    expect(skeleton.tips).toEqual([
      { joint: 2, offset: [0, 0.5, 0], name: 'c_end' },
      { joint: 3, offset: [0, 0, 2], name: 'helper_end' },
    ]);
  });

  it('makes a moving node below a joint a joint, even one that holds a mesh', () => {
    const { builder, joints } = limb();
    const sword = builder.node({ name: 'sword', translation: [0, 0.1, 0], mesh: triangle(builder) });
    const shield = builder.node({ name: 'shield', translation: [0, 0.1, 0], mesh: 0 });
    builder.json.nodes[joints[2]!]!.children = [sword, shield];
    builder.animation('draw', [{ node: sword, path: 'rotation', times: [0, 1], values: [0, 0, 0, 1, 1, 0, 0, 0] }]);
    expect(read(builder).skeleton.names).toEqual(['a', 'b', 'c', 'sword']);
  });

  it('takes controls and pole targets beside the topmost joint, but no meshes, no lights and nothing that is nowhere', () => {
    const { builder, top } = limb();
    const poleEnd = builder.node({ name: 'pole_end', translation: [0, 0, 0.1] });
    const beside = [
      builder.node({ name: 'foot_control', translation: [0.1, 0, 0] }),
      builder.node({ name: 'pole', translation: [0, 0.5, 1], children: [poleEnd] }),
      builder.node({ name: 'body', translation: [1, 0, 0], mesh: triangle(builder) }),
      builder.node({ name: 'marker' }),
      builder.node({ name: 'lamp', translation: [0, 3, 0] }),
    ];
    Object.assign(builder.json.nodes[beside[4]!]!, { extensions: { KHR_lights_punctual: { light: 0 } } });
    (builder.json.nodes[top]!.children as number[]).push(...beside);
    const { skeleton } = read(builder);
    expect(skeleton.names).toEqual(['a', 'b', 'c', 'foot_control', 'pole']);
    expect(Array.from(skeleton.parents)).toEqual([-1, 0, 1, -1, -1]);
    expect(skeleton.tips.map(({ name }) => name)).toEqual(['pole_end']);
  });

  it('joins the joints of several skins', () => {
    const { builder, joints } = limb();
    builder.json.skins[0]!.joints = [joints[0]!];
    builder.skin([joints[0]!, joints[2]!]);
    const character = read(builder);
    expect(character.skeleton.names).toEqual(['a', 'b', 'c']);
    expect(Array.from(character.skinned)).toEqual([1, 0, 1]);
  });

  it('reads the default scene, not the first', () => {
    const { builder } = limb();
    const [other] = builder.chain([
      { name: 'x', translation: [0, 7, 0] },
      { name: 'y', translation: [0, 1, 0] },
    ]);
    builder.skin([other!, other! + 1]);
    builder.json.scene = builder.scene([other!]);
    expect(read(builder).skeleton.names).toEqual(['x', 'y']);
  });

  it('reads all nodes where there are no scenes', () => {
    const { builder } = limb();
    builder.json.scenes.length = 0;
    expect(read(builder).skeleton.names).toEqual(['a', 'b', 'c']);
  });

  it('says so when the default scene does not hold the skeleton', () => {
    const { builder } = limb();
    builder.json.scene = builder.scene([builder.node({ name: 'empty' })]);
    const character = read(builder);
    expect(character.skeleton.names).toEqual(['a', 'b', 'c']);
    expect(character.notes.map(({ code }) => code)).toContain('GLTF_SCENE_WITHOUT_SKELETON');
  });

  it('takes three moving nodes without skin for a skeleton, and one turntable for none', () => {
    const turning = (count: number): GltfBuilder => {
      const { builder, joints } = limb();
      builder.json.skins.length = 0;
      const spin = { path: 'rotation' as const, times: [0, 1], values: [0, 0, 0, 1, 0, 1, 0, 0] };
      builder.animation(
        'spin',
        joints.slice(0, count).map((node) => ({ node, ...spin })),
      );
      return builder;
    };
    expect(read(turning(3)).skeleton.names).toEqual(['a', 'b', 'c']);
    expect(codeOf(() => read(turning(1)))).toBe('GLTF_NO_SKELETON');
  });

  it('takes a deep hierarchy without skin and keys for a skeleton', () => {
    const builder = new GltfBuilder();
    const nodes = builder.chain(Array.from({ length: 9 }, (_, i) => ({ name: `n${i}`, translation: [0, 1, 0] })));
    builder.scene([nodes[0]!]);
    expect(read(builder).skeleton.jointCount).toBeGreaterThanOrEqual(8);
  });

  it('refuses a file with meshes only, and an empty one', () => {
    const builder = new GltfBuilder();
    builder.scene([builder.node({ mesh: triangle(builder) })]);
    expect(codeOf(() => read(builder))).toBe('GLTF_NO_SKELETON');
    expect(codeOf(() => read(new GltfBuilder()))).toBe('GLTF_NO_SKELETON');
  });

  it('leaves the container as it was', () => {
    const { builder } = limb({ scale: [2, 2, 2] });
    const container = parseContainer(builder.glb(), 'test.glb');
    const [json, bytes] = [JSON.stringify(container.json), container.buffers.map((buffer) => buffer.slice())];
    readCharacter(container);
    expect(JSON.stringify(container.json)).toBe(json);
    expect(container.buffers).toEqual(bytes);
  });
});

function triangle(builder: GltfBuilder): number {
  return builder.mesh({ POSITION: builder.accessor('VEC3', new Float32Array([0, 0, 0, 1, 0, 0, 0, 1, 0])) });
}

describe('scales', () => {
  it('says which joint is scaled unevenly, and which to nothing', () => {
    const uneven = read(limb({}, { scale: [1, 2, 1] }).builder);
    expect(uneven.notes.map(({ code, place }) => [code, place?.joint])).toContainEqual(['GLTF_UNEVEN_SCALE', 'a']);
    expectNear(positions(uneven).b, [0, 1.5, 0]);
    const flat = read(limb({}, { scale: [1, 0, 1] }).builder);
    expect(flat.notes.map(({ code }) => code)).toContain('GLTF_ZERO_SCALE');
    expect(positions(flat).c!.every(Number.isFinite)).toBe(true);
  });
});

/**
 * A small figure, 1.75 tall, 1.5 wide in the T. `down` hangs its arms at node rest. Bound in the T; mesh space is
 * world space seen from `space`: inverse bind = inverse(world in T) · space.
 */
function figure({ down = false, space = { scale: 1, shift: 0 }, meshNode = {} as NodeOptions, flat = false } = {}) {
  const builder = new GltfBuilder();
  const arm = (side: 1 | -1): number => {
    const hand = builder.node({ name: `hand${side}`, translation: [0.25 * side, 0, 0] });
    const fore = builder.node({ name: `fore${side}`, translation: [0.3 * side, 0, 0], children: [hand] });
    const rotation = down ? [0, 0, -HALF * side, HALF] : [0, 0, 0, 1];
    return builder.node({ name: `arm${side}`, translation: [0.2 * side, 0.2, 0], children: [fore], rotation });
  };
  const leg = (side: 1 | -1): number => {
    const foot = builder.node({ name: `foot${side}`, translation: [0, -0.45, 0] });
    const shin = builder.node({ name: `shin${side}`, translation: [0, -0.45, 0], children: [foot] });
    return builder.node({ name: `thigh${side}`, translation: [0.1 * side, 0, 0], children: [shin] });
  };
  const head = builder.node({ name: 'head', translation: [0, 0.45, 0] });
  const spine = builder.node({ name: 'spine', translation: [0, 0.3, 0], children: [head, arm(1), arm(-1)] });
  const hips = builder.node({ name: 'hips', translation: [0, 1, 0], children: [spine, leg(1), leg(-1)] });
  const tPose: { [name: string]: [number, number, number] } = {
    hips: [0, 1, 0],
    spine: [0, 1.3, 0],
    head: [0, 1.75, 0],
  };
  for (const side of [1, -1]) {
    tPose[`arm${side}`] = [0.2 * side, 1.5, 0];
    tPose[`fore${side}`] = [0.5 * side, 1.5, 0];
    tPose[`hand${side}`] = [0.75 * side, 1.5, 0];
    tPose[`thigh${side}`] = [0.1 * side, 1, 0];
    tPose[`shin${side}`] = [0.1 * side, 0.55, 0];
    tPose[`foot${side}`] = [0.1 * side, 0.1, 0];
  }
  const joints = builder.json.nodes.map((_, i) => i);
  const s = space.scale;
  const inverseBind = joints.flatMap((i) => {
    const [x, y, z] = tPose[builder.json.nodes[i]!.name as string]!;
    return [s, 0, 0, 0, 0, s, 0, 0, 0, 0, s, 0, -x, space.shift - y, -z, 1];
  });
  const skin = builder.skin(joints, inverseBind);
  const count = 3;
  const mesh = builder.mesh({
    POSITION: builder.accessor('VEC3', new Float32Array(count * 3)),
    JOINTS_0: builder.accessor('VEC4', new Uint8Array(count * 4)),
    WEIGHTS_0: builder.accessor('VEC4', new Float32Array([1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0])),
  });
  builder.scene([hips, builder.node({ mesh, skin, ...meshNode })]);
  if (flat) for (const i of joints) if (i !== hips) builder.json.nodes[i]!.translation = [0, 0.1, 0];
  return { builder, joints, tPose };
}

describe('the reference pose', () => {
  /** m. Inverse bind matrices are Float32. */
  const BOUND = 1e-6;

  it.each([
    ['mesh space is world space', {}],
    ['the mesh node holds the space', { space: { scale: 100, shift: 0 }, meshNode: { scale: [100, 100, 100] } }],
    ['the mesh node must not be applied', { meshNode: { scale: [0.38, 0.38, 0.38] } }],
    ['no node holds the space', { space: { scale: 7, shift: 0.3 } }],
  ])('is the bind pose where that is a T and the nodes hang their arms: %s', (_title, options) => {
    const { builder, tPose } = figure({ down: true, ...options });
    const character = read(builder);
    expect(character.referencePose.kind).toBe('bind pose');
    expect(character.referencePose.reason).toContain('the bind pose');
    const found = positions(character);
    for (const [name, position] of Object.entries(tPose)) expectNear(found[name], position, BOUND);
    expect(character.otherPoses.map(({ kind }) => kind)).toEqual(['node rest']);
  });

  it.each([
    ['world space', { meshNode: { scale: [0.38, 0.38, 0.38] } }],
    ['the space of the mesh node', { space: { scale: 100, shift: 0 }, meshNode: { scale: [100, 100, 100] } }],
  ])(
    'puts a bind pose where it was bound, in %s, though the figure crouches and turns at node rest',
    (_title, options) => {
      const { builder, joints, tPose } = figure({ down: true, ...options });
      const hips = joints.find((i) => builder.json.nodes[i]!.name === 'hips')!;
      Object.assign(builder.json.nodes[hips]!, {
        translation: [0.2, 0.8, 0],
        rotation: [0, Math.sin(0.3), 0, Math.cos(0.3)],
      });
      const character = read(builder);
      expect(character.referencePose.kind).toBe('bind pose');
      for (const [name, position] of Object.entries(tPose)) expectNear(positions(character)[name], position, BOUND);
    },
  );

  it('is node rest where the bind pose is the same', () => {
    const character = read(figure().builder);
    expect(character.referencePose.kind).toBe('node rest');
    expect(character.referencePose.reason).toContain('same');
    expect(character.otherPoses).toEqual([]);
  });

  it('is the first key of a clip where nodes and bind are no posture at all', () => {
    const { builder, joints, tPose } = figure({ flat: true });
    builder.json.skins[0]!.inverseBindMatrices = undefined;
    const local: { [name: string]: number[] } = {};
    const parentOf = new Map<number, number>();
    for (const i of joints)
      for (const child of (builder.json.nodes[i]!.children ?? []) as number[]) parentOf.set(child, i);
    for (const i of joints) {
      const name = builder.json.nodes[i]!.name as string;
      const parent = parentOf.get(i);
      const above = parent === undefined ? [0, 0, 0] : tPose[builder.json.nodes[parent]!.name as string]!;
      local[name] = tPose[name]!.map((value, k) => value - above[k]!);
    }
    builder.animation(
      'stand',
      joints.map((node) => ({
        node,
        path: 'translation' as const,
        times: [0.5],
        values: local[builder.json.nodes[node]!.name as string]!,
      })),
    );
    const character = read(builder);
    expect(character.referencePose).toMatchObject({ kind: 'first key', animation: 0 });
    expectNear(positions(character)['hand-1'], tPose['hand-1']!, BOUND);
  });

  it('is what the caller asks for, if the file has it', () => {
    const { builder } = figure({ down: true });
    const character = read(builder, { referencePose: 'node rest' });
    expect(character.referencePose.kind).toBe('node rest');
    expectNear(positions(character).hand1, [0.2, 0.95, 0]);
    expect(codeOf(() => read(builder, { referencePose: 'first key' }))).toBe('GLTF_NO_POSE');
  });

  it('says when skins were bound in different places', () => {
    const { builder, joints } = figure();
    builder.skin(
      joints.slice(0, 3),
      [...Array(3)].flatMap(() => [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]),
    );
    expect(read(builder).notes.map(({ code }) => code)).toContain('GLTF_BIND_SPACES_DIFFER');
  });
});

describe('humanoid tables', () => {
  const withExtension = (name: string, value: unknown): GltfBuilder => {
    const { builder } = figure();
    Object.assign(builder.json, { extensions: { [name]: value } });
    return builder;
  };
  const indexOf = (builder: GltfBuilder, name: string): number =>
    builder.json.nodes.findIndex((node) => node.name === name);

  it('reads VRM 1.0', () => {
    const builder = withExtension('VRMC_vrm', { humanoid: { humanBones: {} } });
    const table = { hips: { node: indexOf(builder, 'hips') }, leftHand: { node: indexOf(builder, 'hand1') } };
    Object.assign(builder.json, { extensions: { VRMC_vrm: { humanoid: { humanBones: table } } } });
    const { humanoidTable, skeleton } = read(builder);
    expect(humanoidTable!.standard).toBe('VRM 1.0');
    expect(skeleton.names[humanoidTable!.joints.leftHand!]).toBe('hand1');
  });

  // VRMC_vrm-1.0/humanoid.md: leftThumbMetacarpal of 1.0 was called leftThumbProximal in 0.x.
  it('reads VRM 0.x with its thumbs renamed to VRM 1.0', () => {
    const builder = withExtension('VRM', {});
    const humanBones = [
      { bone: 'leftThumbProximal', node: indexOf(builder, 'arm1') },
      { bone: 'leftThumbIntermediate', node: indexOf(builder, 'fore1') },
      { bone: 'leftThumbDistal', node: indexOf(builder, 'hand1') },
      { bone: 'leftIndexProximal', node: indexOf(builder, 'head') },
      { bone: 'jaw', node: -1 },
    ];
    Object.assign(builder.json, { extensions: { VRM: { humanoid: { humanBones } } } });
    const { humanoidTable, skeleton } = read(builder);
    expect(humanoidTable!.standard).toBe('VRM 0.x');
    const names = Object.entries(humanoidTable!.joints).map(([bone, joint]) => [bone, skeleton.names[joint]]);
    expect(Object.fromEntries(names)).toEqual({
      leftThumbMetacarpal: 'arm1',
      leftThumbProximal: 'fore1',
      leftThumbDistal: 'hand1',
      leftIndexProximal: 'head',
    });
  });

  it('makes a skeleton without any skin', () => {
    const builder = withExtension('VRMC_vrm', {});
    builder.json.skins.length = 0;
    for (const node of builder.json.nodes) delete node.skin;
    const bones = { hips: 'hips', leftHand: 'hand1', head: 'head' };
    const humanBones = Object.fromEntries(
      Object.entries(bones).map(([bone, name]) => [bone, { node: indexOf(builder, name) }]),
    );
    Object.assign(builder.json, { extensions: { VRMC_vrm: { humanoid: { humanBones } } } });
    const { skeleton } = read(builder);
    expect(skeleton.names).toContain('fore1'); // between hips and hand
    expect(skeleton.names).toContain('thigh-1'); // a branch below the hips
  });

  it('refuses a bone whose node is not there, and uses a node that two bones claim once', () => {
    const bad = withExtension('VRMC_vrm', { humanoid: { humanBones: { hips: { node: 99 } } } });
    expect(codeOf(() => read(bad))).toBe('GLTF_INDEX');
    const twice = withExtension('VRMC_vrm', { humanoid: { humanBones: { hips: { node: 2 }, spine: { node: 2 } } } });
    const character = read(twice);
    expect(Object.keys(character.humanoidTable!.joints)).toEqual(['hips']);
    expect(character.notes.map(({ code }) => code)).toContain('GLTF_HUMANOID_TWICE');
    expect(codeOf(() => read(withExtension('VRM', { humanoid: { humanBones: {} } })))).toBe('GLTF_TYPE');
  });
});

describe('the node above the skeleton', () => {
  /** An armature node of scale 0.01, turned from Z up, with hips and thigh below. */
  function armature(): GltfBuilder {
    const builder = new GltfBuilder();
    const thigh = builder.node({ name: 'thigh', translation: [0, 0, -40] });
    const hips = builder.node({ name: 'hips', translation: [0, 0, 90], children: [thigh] });
    const top = builder.node({
      name: 'armature',
      rotation: [-HALF, 0, 0, HALF],
      scale: [0.01, 0.01, 0.01],
      translation: [0, 0.1, 0],
      children: [hips],
    });
    builder.scene([top]);
    builder.skin([hips, thigh]);
    return builder;
  }

  it('is folded into the root, or becomes a joint on demand; the others stay where they are', () => {
    const folded = read(armature());
    const opened = read(armature(), { nodeAbove: true });
    expect(folded.skeleton.names).toEqual(['hips', 'thigh']);
    expect(opened.skeleton.names).toEqual(['armature', 'hips', 'thigh']);
    expectNear(positions(opened).hips, [0, 1, 0]);
    expectNear(positions(opened).thigh, positions(folded).thigh!);
    expectNear(positions(opened).armature, [0, 0.1, 0]);
  });
});
