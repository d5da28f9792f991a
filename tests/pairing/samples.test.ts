import { NodeIO } from '@gltf-transform/core';
import { describe, expect, it } from 'vitest';
import { CHARACTERS } from '../../samples/characters.ts';
import { type Rig, toDocument } from '../../samples/rig.ts';
import { parseContainer } from '../../src/formats/gltf/container.ts';
import { readCharacter } from '../../src/formats/gltf/read-character.ts';
import { type BodyInput, readBody } from '../../src/pairing/read-body.ts';
import { ROLES, type Role } from '../../src/pairing/roles.ts';
import { shuffleJoints, variantInput } from '../support/skeleton-variants.ts';
import { eraseNames } from '../support/truth.ts';

const isRole = (key: string): key is Role => (ROLES as readonly string[]).includes(key);

/** The keys under which the generator makes its joints say what each is; the names in the file are its business alone. */
function truthOf(rig: Rig): { roles: Partial<Record<Role, string>>; helpers: Record<string, string> } {
  const roles: Partial<Record<Role, string>> = {};
  const helpers: Record<string, string> = {};
  for (const { key, name, marker } of rig.joints) {
    // A marker is no joint of the skin, and joints that only move controls are none of the body.
    if (marker || key === 'root') continue;
    if (isRole(key)) roles[key] = name;
    else if (key.endsWith('Pole')) helpers[name] = 'pole';
    else if (key.endsWith('Twist')) helpers[name] = `twist of ${key.slice(0, -'Twist'.length)}, 0.50`;
    else throw new Error(`the table does not know the joint ${key}`);
  }
  return { roles, helpers };
}

async function subject(rig: Rig): Promise<BodyInput> {
  const bytes = await new NodeIO().writeBinary(toDocument(rig));
  const { skeleton, skins, skinned } = readCharacter(parseContainer(bytes, `${rig.name}.glb`));
  return { skeleton, skins, skinned, declaredMetres: true };
}

function reading(input: BodyInput, labels: readonly string[]): ReturnType<typeof truthOf> {
  const body = readBody(input);
  const roles = Object.fromEntries(Object.entries(body.roles).map(([role, j]) => [role, labels[j]!]));
  const helpers = Object.fromEntries(
    body.helpers.map(({ joint, kind, of, share }) => [
      labels[joint]!,
      kind === 'twist' ? `twist of ${of}, ${share?.toFixed(2)}` : kind,
    ]),
  );
  return { roles, helpers };
}

describe.each(Object.entries(CHARACTERS))('the sample %s', async (_, make) => {
  const rig = make();
  const truth = truthOf(rig);
  const input = await subject(rig);
  const labels = input.skeleton.names;

  it('is read as its maker made it', () => {
    expect(reading(input, labels)).toEqual(truth);
  });

  it('is read the same with all names erased', () => {
    expect(reading(eraseNames(input), labels)).toEqual(truth);
  });

  it.each([1, 2, 3])('is read the same with its joints in another order, names erased (%i)', (seed) => {
    const variant = shuffleJoints(input.skeleton, seed);
    const shuffled = { ...eraseNames(variantInput(input, variant)) };
    expect(
      reading(
        shuffled,
        variant.from.map((j) => labels[j]!),
      ),
    ).toEqual(truth);
  });
});
