import {
  type Body,
  type BodyConstraints,
  type Character,
  type Clip,
  placeClip,
  placementOf,
  placeSkeleton,
  placeSkin,
  readBody,
  type Skeleton,
  type SkinMesh,
} from '../../src/index.ts';

/** A figure that is not read as a human body, in world space as far as that can be told: to be looked at and paired. */
export interface BareFigure {
  key: string;
  name: string;
  skeleton: Skeleton;
  body: Body;
}

export interface BareCharacter extends BareFigure {
  character: Character;
  skins: SkinMesh[];
}

export interface BareMotion extends BareFigure {
  clip: Clip;
}

export function bareCharacter(key: string, character: Character, constraints: BodyConstraints): BareCharacter {
  const body = readBody({
    skeleton: character.skeleton,
    skins: character.skins,
    skinned: character.skinned,
    table: character.humanoidTable ?? undefined,
    declaredMetres: true,
    ...constraints,
  });
  const placement = placementFor(body);
  return {
    key,
    name: character.name,
    skeleton: placeSkeleton(character.skeleton, placement),
    body,
    character,
    skins: character.skins.map((skin) => placeSkin(skin, placement)),
  };
}

export function bareMotion(
  key: string,
  name: string,
  skeleton: Skeleton,
  clip: Clip,
  declaredMetres: boolean,
  constraints: BodyConstraints,
): BareMotion {
  const body = readBody({ skeleton, clip, declaredMetres, ...constraints });
  const placement = placementFor(body);
  return {
    key,
    name,
    skeleton: placeSkeleton(skeleton, placement),
    body,
    clip: placeClip(clip, skeleton, placement),
  };
}

function placementFor({ frame: { up, facing, metresPerUnit, floor } }: Body) {
  return placementOf(up, facing, metresPerUnit, floor);
}
