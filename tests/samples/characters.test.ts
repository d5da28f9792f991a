import { type Node, NodeIO } from '@gltf-transform/core';
import validator from 'gltf-validator';
import { beforeAll, describe, expect, it } from 'vitest';
import { FAULT_IDS, FIFTEEN_FAULTS, makeFaulty } from '../../samples/faulty.ts';
import { makeSamples } from '../../samples/make.ts';

const SIZE_MAX = 300_000; // bytes: samples stay small enough to load at once
const WEIGHT_SUM_TOLERANCE = 1e-6; // float32 values rounded to six decimals, the largest takes the rest
const MIRROR_TOLERANCE = 1e-5; // m. Positions are rounded to a micrometre in each joint's own frame

const CHARACTERS = ['tamsel.glb', 'bodge.glb', 'oriv.glb', 'pim.glb'];
let files: Map<string, Uint8Array>;
beforeAll(async () => {
  files = await makeSamples();
});

it('makes the same bytes on every run', async () => {
  const again = await makeSamples();
  expect([...again.keys()]).toEqual([...files.keys()]);
  for (const [name, bytes] of files) expect(Buffer.compare(again.get(name)!, bytes), name).toBe(0);
});

async function readBody(bytes: Uint8Array) {
  const document = await new NodeIO().readBinary(bytes);
  const node = document
    .getRoot()
    .listNodes()
    .find((candidate) => candidate.getSkin() !== null)!;
  const primitive = node.getMesh()!.listPrimitives()[0]!;
  const rows = (name: string, width: number): number[][] => {
    const array = primitive.getAttribute(name)!.getArray()!;
    return Array.from({ length: array.length / width }, (_, v) =>
      Array.from(array.slice(v * width, v * width + width)),
    );
  };
  return {
    document,
    skin: node.getSkin()!,
    joints: node.getSkin()!.listJoints(),
    positions: rows('POSITION', 3),
    indices: rows('JOINTS_0', 4),
    weights: rows('WEIGHTS_0', 4),
  };
}

const worldPosition = (node: Node): number[] => Array.from(node.getWorldTranslation());

describe.each(CHARACTERS)('%s', (name) => {
  // Khronos glTF validator, the reference for glTF 2.0.
  it('is valid glTF without a warning, and small', async () => {
    const bytes = files.get(name)!;
    const { issues } = await validator.validateBytes(bytes);
    expect(issues.messages.filter(({ severity }) => severity < 2)).toEqual([]);
    expect(bytes.length).toBeLessThan(SIZE_MAX);
  });

  it('has weights that sum to 1, on every vertex', async () => {
    const { weights } = await readBody(files.get(name)!);
    expect(weights.length).toBeGreaterThan(1000);
    for (const row of weights) {
      expect(Math.abs(row.reduce((a, b) => a + b, 0) - 1)).toBeLessThan(WEIGHT_SUM_TOLERANCE);
      expect(Math.min(...row)).toBeGreaterThanOrEqual(0);
    }
  });

  it('lets no limb of one side carry skin of the other', async () => {
    const { joints, positions, indices, weights } = await readBody(files.get(name)!);
    const places = joints.map(worldPosition);
    positions.forEach(([x], v) => {
      weights[v]!.forEach((w, i) => {
        const jointX = places[indices[v]![i]!]![0]!;
        // Limbs start 6 cm from the middle; the inner side of a thigh may just touch it.
        if (w > 0 && Math.abs(jointX) > 0.05) expect(Math.sign(jointX) * x!).toBeGreaterThan(-0.005);
      });
    });
  });

  it('stands on the floor, facing +Z', async () => {
    const { positions } = await readBody(files.get(name)!);
    const low = Math.min(...positions.map(([, y]) => y!));
    expect(low).toBeCloseTo(0, 3);
    // Toes reach further forwards than heels backwards.
    const feet = positions.filter(([, y]) => y! < 0.03).map(([, , z]) => z!);
    expect(Math.max(...feet)).toBeGreaterThan(-1.3 * Math.min(...feet));
  });

  it('has joints in mirrored places', async () => {
    const { joints } = await readBody(files.get(name)!);
    const places = joints.filter((joint) => !/pole/.test(joint.getName())).map(worldPosition);
    for (const [x, y, z] of places) {
      const partner = places.some((p) => Math.hypot(p[0]! + x!, p[1]! - y!, p[2]! - z!) < MIRROR_TOLERANCE);
      expect(partner).toBe(true);
    }
  });
});

it('gives the rigs very different proportions', async () => {
  const shares = new Map<string, number>();
  for (const name of CHARACTERS) {
    const { positions, joints } = await readBody(files.get(name)!);
    const height = Math.max(...positions.map(([, y]) => y!));
    const thigh = joints.find((joint) => /UpLeg\.L|left_thigh|l_thigh_j|legUpLeft/.test(joint.getName()))!;
    shares.set(name, worldPosition(thigh)[1]! / height);
  }
  expect(shares.get('tamsel.glb')).toBeGreaterThan(0.45);
  expect(shares.get('bodge.glb')).toBeLessThan(0.32);
});

it('hangs the feet and hands of the rig with controls outside the limbs, with skin on them', async () => {
  const { joints, indices, weights } = await readBody(files.get('oriv.glb')!);
  for (const name of ['l_foot_ctl', 'r_foot_ctl', 'l_hand_ctl', 'r_hand_ctl']) {
    const index = joints.findIndex((joint) => joint.getName() === name);
    expect(joints[index]!.getParentNode()!.getName()).toBe('root_ctl');
    expect(weights.some((row, v) => row.some((w, i) => w > 0.99 && indices[v]![i] === index))).toBe(true);
  }
  for (const [v, row] of weights.entries()) {
    row.forEach((w, i) => {
      if (w > 0) expect(joints[indices[v]![i]!]!.getName()).not.toMatch(/pole|root/);
    });
  }
});

describe('planted faults', () => {
  it('are fifteen in the faulty rig, each with a joint of the file or a vertex', async () => {
    const { glb, planted } = await makeFaulty(FIFTEEN_FAULTS);
    const { document } = await readBody(glb);
    const names = new Set(
      document
        .getRoot()
        .listNodes()
        .map((node) => node.getName()),
    );
    expect(planted).toHaveLength(15);
    for (const { joints, vertices } of planted) {
      expect(joints.length + vertices.length).toBeGreaterThan(0);
      for (const joint of joints) expect(names).toContain(joint);
    }
  });

  it.each([...FAULT_IDS])('%s alone makes another file than the clean one, the same on every run', async (id) => {
    const clean = await makeFaulty([]);
    const first = await makeFaulty([id]);
    const second = await makeFaulty([id]);
    expect(Buffer.compare(first.glb, second.glb)).toBe(0);
    expect(Buffer.compare(first.glb, clean.glb)).not.toBe(0);
    const about = ['no-weight', 'weight-sum', 'bleed', 'control-weight', 'idle-joint', 'weight-mirror'];
    if (about.includes(id)) expect(first.planted[0]!.vertices.length).toBeGreaterThan(3);
  });

  it('leaves weights that do not sum to 1 exactly where the list says', async () => {
    const { glb, planted } = await makeFaulty(['weight-sum', 'no-weight']);
    const { weights } = await readBody(glb);
    const wrong = weights.flatMap((row, v) => (Math.abs(row.reduce((a, b) => a + b, 0) - 1) > 1e-3 ? [v] : []));
    expect(wrong).toEqual(planted.flatMap(({ vertices }) => vertices).sort((a, b) => a - b));
  });

  it('keeps the rest pose of the skin where only joints are at fault', async () => {
    const clean = await readBody((await makeFaulty([])).glb);
    const faulty = await readBody((await makeFaulty(['mirror-position', 'uneven-scale', 'mirror-orientation'])).glb);
    expect(faulty.positions).toEqual(clean.positions);
    // joint world matrix · inverse bind = identity: glTF 2.0, section 3.7.3.1
    const inverse = faulty.skin.getInverseBindMatrices()!.getArray()!;
    faulty.joints.forEach((joint, j) => {
      const world = joint.getWorldMatrix();
      for (let row = 0; row < 4; row++) {
        for (let column = 0; column < 4; column++) {
          let sum = 0;
          for (let k = 0; k < 4; k++) sum += world[k * 4 + row]! * inverse[j * 16 + column * 4 + k]!;
          expect(Math.abs(sum - (row === column ? 1 : 0)), joint.getName()).toBeLessThan(2e-5);
        }
      }
    });
  });
});
