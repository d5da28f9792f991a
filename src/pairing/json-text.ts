/** Line and column, both from 1, of an offset into a text. */
export function lineAndColumn(text: string, offset: number): { line: number; column: number } {
  const before = text.slice(0, offset);
  const line = before.split('\n').length;
  return { line, column: offset - before.lastIndexOf('\n') };
}

/**
 * Offset at which `JSON.parse` stopped, from the error it threw; undefined where the engine does not tell.
 * Engines word it differently: "at position 12", "at line 2 column 3", "Unexpected end of JSON input".
 */
export function syntaxErrorOffset(text: string, error: unknown): number | undefined {
  const message = error instanceof Error ? error.message : '';
  const position = /position (\d+)/.exec(message);
  if (position) return Number(position[1]);
  const lineColumn = /line (\d+) column (\d+)/.exec(message);
  if (lineColumn) {
    const lines = text.split('\n').slice(0, Number(lineColumn[1]) - 1);
    return lines.reduce((sum, line) => sum + line.length + 1, 0) + Number(lineColumn[2]) - 1;
  }
  return /end of/i.test(message) ? text.trimEnd().length : undefined;
}

/** One step of a JSON pointer (RFC 6901, section 3: `~` and `/` are escaped). */
export function pointerStep(key: string | number): string {
  return `/${String(key).replaceAll('~', '~0').replaceAll('/', '~1')}`;
}

/** Where each value of a JSON text stands, and the keys that one object holds twice (`JSON.parse` keeps the last). */
export interface JsonIndex {
  /** JSON pointer → offset of the member's key, or of the array element. */
  offsets: Map<string, number>;
  repeatedKeys: { pointer: string; key: string; offset: number }[];
}

/** Indexes a text that `JSON.parse` has accepted: tokens alone tell where each member begins. */
export function indexJson(text: string): JsonIndex {
  const offsets = new Map<string, number>([['', 0]]);
  const repeatedKeys: JsonIndex['repeatedKeys'] = [];
  // One entry an open bracket. In an object `key` waits for its value; in an array `index` counts.
  const open: { pointer: string; isArray: boolean; index: number; key: string | null; keys: Set<string> }[] = [];
  for (const match of text.matchAll(/"(?:[^"\\]|\\.)*"|[{}[\],:]|[^\s{}[\],:"]+/g)) {
    const token = match[0];
    const top = open.at(-1);
    if (token === '}' || token === ']') {
      open.pop();
    } else if (token === ',') {
      if (top?.isArray) top.index++;
      else if (top) top.key = null;
    } else if (token !== ':') {
      if (top && !top.isArray && top.key === null) {
        const key = JSON.parse(token) as string;
        const pointer = top.pointer + pointerStep(key);
        if (top.keys.has(key)) repeatedKeys.push({ pointer, key, offset: match.index });
        top.keys.add(key);
        top.key = key;
        offsets.set(pointer, match.index);
        continue;
      }
      const pointer = top ? top.pointer + pointerStep(top.isArray ? top.index : top.key!) : '';
      if (top?.isArray) offsets.set(pointer, match.index);
      if (token === '{' || token === '[') {
        open.push({ pointer, isArray: token === '[', index: 0, key: null, keys: new Set() });
      }
    }
  }
  return { offsets, repeatedKeys };
}
