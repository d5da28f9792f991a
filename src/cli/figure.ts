import { openFile } from '../convert/node.ts';
import type { PairedFigure } from '../convert/pairing-report.ts';
import type { Character } from '../formats/gltf/character.ts';
import { type BodyConstraints, readBody } from '../pairing/read-body.ts';
import type { Clip } from '../skeleton/clip.ts';
import type { Skeleton } from '../skeleton/skeleton.ts';

/** A file that was opened and read as a body. */
export interface OpenedFigure extends PairedFigure {
  clip?: Clip;
  character?: Character;
}

/** Opens a clip or a character and reads its body under the constraints for its skeleton. */
export async function openFigure(
  path: string,
  constraintsOf: (skeleton: Skeleton) => BodyConstraints,
): Promise<OpenedFigure> {
  const opened = await openFile(path);
  if (opened.kind === 'clip') {
    const { skeleton, clip } = opened.file.takes[0]!;
    const body = readBody({ skeleton, clip, ...constraintsOf(skeleton) });
    return { file: path, skeleton, body, notes: opened.file.notes, clip };
  }
  const { character } = opened;
  const { skeleton, skins, skinned, humanoidTable, notes } = character;
  const table = humanoidTable ?? undefined;
  const body = readBody({ skeleton, skins, skinned, table, declaredMetres: true, ...constraintsOf(skeleton) });
  return { file: path, skeleton, body, notes, character };
}
