import { createHash } from 'node:crypto';
import { readdirSync, readFileSync, statSync } from 'node:fs';
import { join } from 'node:path';

/** Every file of a folder with the hash of its bytes: what has to be equal, whoever made it. */
export function contentOf(folder: string): Record<string, string> {
  const names = readdirSync(folder, { recursive: true, encoding: 'utf8' }).sort();
  const files = names.filter((name) => statSync(join(folder, name)).isFile());
  return Object.fromEntries(
    files.map((name) => [
      name.replaceAll('\\', '/'),
      createHash('sha256')
        .update(readFileSync(join(folder, name)))
        .digest('hex')
        .slice(0, 16),
    ]),
  );
}
