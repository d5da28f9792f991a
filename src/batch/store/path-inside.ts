import { isAbsolute, relative, resolve } from 'node:path';
import { RigproofError } from '../../errors.ts';

/**
 * The path of a file in a folder, for a name that came from elsewhere.
 * @throws RigproofError STORE_NAME when the name leads out of the folder
 */
export function pathInside(folder: string, name: string): string {
  const path = resolve(folder, name);
  const inside = relative(folder, path);
  if (inside === '' || inside.startsWith('..') || isAbsolute(inside)) {
    throw new RigproofError(
      'STORE_NAME',
      `The store names a file "${name}", which leads out of its folder.`,
      {},
      { hint: 'Somebody has changed what is in the store: use another prefix.' },
    );
  }
  return path;
}
