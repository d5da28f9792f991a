import { alignFigure } from '../alignment/alignment.ts';
import { restAnkleHeights } from '../alignment/soles.ts';
import type { Character } from '../formats/gltf/character.ts';
import type { Body } from '../pairing/body.ts';
import { type BodyConstraints, readBody } from '../pairing/read-body.ts';
import { readSideMarks, stemOf } from '../pairing/side-marks.ts';
import { type Audit, type AuditInput, auditRig, type RigFacts } from '../rig/audit.ts';
import { type Placement, placementOf, placeSkeleton, placeSkin } from '../skeleton/normalise.ts';

/** A character's audit, with the body it was read as. */
export interface CharacterAudit {
  audit: Audit;
  body: Body;
  input: AuditInput;
}

/**
 * Looks a character over before any motion. A body that is no humanoid is audited too, without what needs roles.
 * Throws nothing beyond what the constraints may.
 */
export function auditCharacter(character: Character, constraints: BodyConstraints = {}): CharacterAudit {
  const input = auditInput(character, constraints);
  return { audit: auditRig(input), body: input.body, input };
}

/** What `auditRig` takes, from a character. */
export function auditInput(character: Character, constraints: BodyConstraints = {}): AuditInput {
  const body = readBody({
    skeleton: character.skeleton,
    skins: character.skins,
    skinned: character.skinned,
    table: character.humanoidTable ?? undefined,
    declaredMetres: true,
    ...constraints,
  });
  const { up, facing, metresPerUnit, floor } = body.frame;
  const placement = placementOf(up, facing, metresPerUnit, floor);
  const skeleton = placeSkeleton(character.skeleton, placement);
  const skins = character.skins.map((mesh) => placeSkin(mesh, placement));
  const input: AuditInput = { name: character.name, skeleton, body, skins, facts: factsOf(character, placement) };
  if (!body.humanoid) return input;
  const { posture } = alignFigure(skeleton, body, restAnkleHeights(skeleton, body.roles, skins));
  return { ...input, posture };
}

function factsOf(character: Character, placement: Placement): RigFacts {
  const { skeleton, binding, nodes, otherPoses, humanoidTable, container } = character;
  const sideMarks = readSideMarks(skeleton.names);
  const jointOf = new Map<number, number>([...binding.nodes].map((node, j) => [node, j]));
  const wanted = new Set<number>();
  for (const node of binding.nodes) for (let i = node; i >= 0 && !wanted.has(i); i = nodes.parents[i]!) wanted.add(i);
  const names = (container.json.nodes ?? []) as { name?: string }[];
  const atRest = otherPoses.find(({ kind }) => kind === 'node rest');
  return {
    sideMarks,
    stems: skeleton.names.map(stemOf),
    scales: [...wanted].map((node) => ({
      node: names[node]?.name ?? `#${node}`,
      joint: jointOf.get(node) ?? -1,
      scale: [nodes.scales[node * 3]!, nodes.scales[node * 3 + 1]!, nodes.scales[node * 3 + 2]!],
    })),
    nodeRest: atRest
      ? placeSkeleton(
          { ...skeleton, restRotations: atRest.rotations, restTranslations: atRest.translations },
          placement,
        )
      : null,
    front: humanoidTable?.standard === 'VRM 0.x' ? [0, 0, -1] : [0, 0, 1],
  };
}
