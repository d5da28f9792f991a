/**
 * Edits JSON text in place, so that all that is not edited keeps its very characters: unknown members, their order,
 * numbers with more digits than a double holds, white space. The text must be valid JSON (it has been parsed before).
 */

/** A piece of text: from `start` up to, not including, `end`. */
export interface Span {
  start: number;
  end: number;
}

/** Replaces the text of a span; an empty span inserts. */
export interface Edit extends Span {
  text: string;
}

/** Where a member of an object stands: `start` and `end` of its value, `keyStart` of the quotation mark of its key. */
export interface MemberSpan extends Span {
  keyStart: number;
}

/** The text with all edits made. Edits must not overlap; insertions at one place keep their order. */
export function spliceText(text: string, edits: readonly Edit[]): string {
  const ordered = edits.toSorted((a, b) => a.start - b.start);
  const parts: string[] = [];
  let at = 0;
  for (const edit of ordered) {
    parts.push(text.slice(at, edit.start), edit.text);
    at = edit.end;
  }
  parts.push(text.slice(at));
  return parts.join('');
}

/** Members of the object that opens at `start` (or behind white space or a byte order mark). A later twin wins, as in JSON.parse. */
export function memberSpans(text: string, start: number): Map<string, MemberSpan> {
  const members = new Map<string, MemberSpan>();
  let at = skipSpace(text, skipSpace(text, start) + 1);
  while (text[at] !== '}') {
    const keyStart = at;
    at = skipString(text, at);
    const key = JSON.parse(text.slice(keyStart, at)) as string;
    at = skipSpace(text, skipSpace(text, at) + 1); // the colon
    const valueStart = at;
    at = skipValue(text, at);
    members.set(key, { keyStart, start: valueStart, end: at });
    at = skipSpace(text, at);
    if (text[at] === ',') at = skipSpace(text, at + 1);
  }
  return members;
}

/** Elements of the array that opens at `start`. */
export function elementSpans(text: string, start: number): Span[] {
  const elements: Span[] = [];
  let at = skipSpace(text, skipSpace(text, start) + 1);
  while (text[at] !== ']') {
    const end = skipValue(text, at);
    elements.push({ start: at, end });
    at = skipSpace(text, end);
    if (text[at] === ',') at = skipSpace(text, at + 1);
  }
  return elements;
}

/** The edit that adds elements, given as JSON texts, at the end of the array at `array`. */
export function appendElements(text: string, array: Span, elements: readonly string[]): Edit {
  const close = array.end - 1;
  const last = skipSpaceBack(text, close);
  const comma = text[last - 1] === '[' || elements.length === 0 ? '' : ',';
  return { start: last, end: last, text: comma + elements.join(',') };
}

/** The edit that adds members, given as `"key":value`, at the end of the object whose span is given. */
export function appendMembers(text: string, object: Span, members: readonly string[]): Edit {
  const close = object.end - 1;
  const last = skipSpaceBack(text, close);
  const comma = text[last - 1] === '{' || members.length === 0 ? '' : ',';
  return { start: last, end: last, text: comma + members.join(',') };
}

/** The span of the document's value: without byte order mark, white space around it and padding. */
export function documentSpan(text: string): Span {
  const start = skipSpace(text, 0);
  return { start, end: skipValue(text, start) };
}

function isSpace(code: number): boolean {
  return code === 0x20 || code === 0x0a || code === 0x0d || code === 0x09 || code === 0xfeff;
}

function skipSpace(text: string, at: number): number {
  while (at < text.length && isSpace(text.charCodeAt(at))) at++;
  return at;
}

function skipSpaceBack(text: string, at: number): number {
  while (at > 0 && isSpace(text.charCodeAt(at - 1))) at--;
  return at;
}

/** One past the closing quotation mark of the string that opens at `at`. */
function skipString(text: string, at: number): number {
  let close = at;
  for (;;) {
    close = text.indexOf('"', close + 1);
    if (close < 0) return text.length;
    let slashes = 0;
    while (text.charCodeAt(close - 1 - slashes) === 0x5c) slashes++;
    // An even run of backslashes escapes itself, not the quotation mark.
    if (slashes % 2 === 0) return close + 1;
  }
}

/** One past the value that starts at `at`. Free of recursion: depth is only counted. */
function skipValue(text: string, at: number): number {
  const first = text.charCodeAt(at);
  if (first === 0x22) return skipString(text, at);
  if (first === 0x7b || first === 0x5b) {
    let depth = 0;
    for (let i = at; i < text.length; ) {
      const code = text.charCodeAt(i);
      if (code === 0x22) {
        i = skipString(text, i);
        continue;
      }
      if (code === 0x7b || code === 0x5b) depth++;
      else if (code === 0x7d || code === 0x5d) {
        depth--;
        if (depth === 0) return i + 1;
      }
      i++;
    }
    return text.length;
  }
  while (at < text.length) {
    const code = text.charCodeAt(at);
    if (code === 0x2c || code === 0x7d || code === 0x5d || isSpace(code)) break;
    at++;
  }
  return at;
}
