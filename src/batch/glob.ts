/** Whether a name is a pattern rather than a path. */
export function isGlob(text: string): boolean {
  return /[*?{[]/.test(text);
}

/** The folder part of a pattern that has no wildcard in it, without a slash at the end: where a search has to start. */
export function globRoot(pattern: string): string {
  const parts = pattern.split('/');
  const first = parts.findIndex(isGlob);
  const root = parts.slice(0, first < 0 ? parts.length - 1 : first).join('/');
  return root === '' ? (pattern.startsWith('/') ? '/' : '.') : root;
}

/**
 * A pattern as a regular expression over whole paths: `*` and `?` within a name, `**` over folders, `{a,b}` either,
 * `[ab]` one of.
 */
export function globExpression(pattern: string): RegExp {
  let source = '';
  let depth = 0;
  for (let i = 0; i < pattern.length; i++) {
    const c = pattern[i]!;
    if (c === '*') {
      if (pattern[i + 1] !== '*') source += '[^/]*';
      else if (pattern[i + 2] === '/') {
        source += '(?:[^/]+/)*';
        i += 2;
      } else {
        source += '.*';
        i++;
      }
    } else if (c === '?') source += '[^/]';
    else if (c === '{') {
      source += '(?:';
      depth++;
    } else if (c === '}' && depth > 0) {
      source += ')';
      depth--;
    } else if (c === ',' && depth > 0) source += '|';
    else if (c === '[' && pattern.indexOf(']', i) > i + 1) {
      const end = pattern.indexOf(']', i + 1);
      source += `[${pattern
        .slice(i + 1, end)
        .replace(/^!/, '^')
        .replaceAll('\\', '\\\\')}]`;
      i = end;
    } else source += c.replace(/[.+^$()|\\[\]{}]/, '\\$&');
  }
  return new RegExp(`^${source}${')'.repeat(depth)}$`);
}
