import { type Note, RigproofError } from '../../errors.ts';
import type { GltfContainer } from './container.ts';
import { documentOf } from './nodes.ts';

/** Bone name as VRM 1.0 spells it → node index, as the file states it. */
export interface NodeHumanoidTable {
  standard: 'VRM 0.x' | 'VRM 1.0';
  nodes: Map<string, number>;
}

/**
 * VRM 0.x names the three thumb bones one step further out than VRM 1.0 does (VRMC_vrm-1.0, humanoid.md, section on
 * differences from VRM 0.x: the metacarpal was called proximal). All other names are the same.
 */
const THUMB_OF_VRM0: { [part: string]: string } = {
  ThumbProximal: 'ThumbMetacarpal',
  ThumbIntermediate: 'ThumbProximal',
  ThumbDistal: 'ThumbDistal',
};

/**
 * The humanoid table of a file: VRMC_vrm (1.0), else VRMC_vrm_animation (1.0), else VRM (0.x); null where there is none.
 * @throws RigproofError `GLTF_INDEX` when a bone names a node that is not there, `GLTF_TYPE` for a faulty table
 */
export function readHumanoidTable(container: GltfContainer, notes: Note[]): NodeHumanoidTable | null {
  const extensions = documentOf(container).extensions ?? {};
  for (const name of ['VRMC_vrm', 'VRMC_vrm_animation']) {
    const bones = (extensions[name] as { humanoid?: { humanBones?: unknown } } | undefined)?.humanoid?.humanBones;
    if (bones === undefined) continue;
    const at = `/extensions/${name}/humanoid/humanBones`;
    if (typeof bones !== 'object' || bones === null || Array.isArray(bones)) throw faulty(container, at);
    const entries = Object.entries(bones as { [bone: string]: { node?: unknown } | null });
    return collect(
      'VRM 1.0',
      entries.map(([bone, entry]) => ({ bone, node: entry?.node, pointer: `${at}/${bone}/node` })),
      container,
      notes,
    );
  }
  const bones = (extensions.VRM as { humanoid?: { humanBones?: unknown } } | undefined)?.humanoid?.humanBones;
  if (bones === undefined) return null;
  const at = '/extensions/VRM/humanoid/humanBones';
  if (!Array.isArray(bones)) throw faulty(container, at);
  return collect(
    'VRM 0.x',
    (bones as ({ bone?: unknown; node?: unknown } | null)[]).map((entry, i) => ({
      bone: String(entry?.bone).replace(/Thumb\w+$/, (part) => THUMB_OF_VRM0[part] ?? part),
      node: entry?.node,
      pointer: `${at}/${i}/node`,
    })),
    container,
    notes,
  );
}

function faulty(container: GltfContainer, pointer: string): RigproofError {
  return new RigproofError(
    'GLTF_TYPE',
    'The humanoid table is not what the VRM standard asks for.',
    { file: container.name, pointer },
    { hint: 'Export the character as VRM again.' },
  );
}

function collect(
  standard: NodeHumanoidTable['standard'],
  entries: { bone: string; node: unknown; pointer: string }[],
  container: GltfContainer,
  notes: Note[],
): NodeHumanoidTable {
  const count = documentOf(container).nodes?.length ?? 0;
  const nodes = new Map<string, number>();
  const boneOf = new Map<number, string>();
  for (const { bone, node, pointer } of entries) {
    if (node === -1 && standard === 'VRM 0.x') continue; // some exporters write -1 for a bone that is not there
    if (typeof node !== 'number' || !Number.isInteger(node) || node < 0 || node >= count) {
      throw new RigproofError(
        'GLTF_INDEX',
        `The humanoid table gives ${bone} node ${JSON.stringify(node) ?? 'nothing'}, but the file has ${count} nodes.`,
        { file: container.name, pointer },
        { hint: 'Assign the humanoid bones again and export the character as VRM.' },
      );
    }
    const other = boneOf.get(node);
    if (other !== undefined) {
      notes.push({
        code: 'GLTF_HUMANOID_TWICE',
        severity: 'warning',
        message: `The humanoid table gives node ${node} to ${other} and to ${bone}; only the first is used.`,
        place: { file: container.name, pointer },
      });
      continue;
    }
    boneOf.set(node, bone);
    nodes.set(bone, node);
  }
  return { standard, nodes };
}
