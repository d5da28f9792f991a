import type { GltfContainer } from './container.ts';
import {
  appendElements,
  appendMembers,
  documentSpan,
  type Edit,
  elementSpans,
  type MemberSpan,
  memberSpans,
  type Span,
} from './splice-json.ts';

/** The JSON of a document, searched and encoded once: a library of clips goes onto one character. */
export interface DocumentText {
  text: string;
  /** The text in UTF-8. */
  bytes: Uint8Array;
  /** The document's object, and its members. */
  object: Span;
  members: Map<string, MemberSpan>;
  /** Elements of those top-level arrays that were asked for. */
  elements: Map<string, readonly Span[]>;
  /** Place in `bytes` of those places in `text` that were asked for; null where the two are the same (ASCII). */
  offsets: Map<number, number> | null;
}

const opened = new WeakMap<GltfContainer, DocumentText>();
const encoder = new TextEncoder();

export function openText(container: GltfContainer): DocumentText {
  let document = opened.get(container);
  if (!document) {
    const text = container.jsonText;
    const bytes = encoder.encode(text);
    const offsets = bytes.length === text.length ? null : new Map<number, number>();
    document = { text, bytes, object: documentSpan(text), members: memberSpans(text, 0), elements: new Map(), offsets };
    opened.set(container, document);
  }
  return document;
}

/** Elements of the top-level array of the given name; none where there is no such array. */
export function arraySpans(document: DocumentText, name: string): readonly Span[] {
  let spans = document.elements.get(name);
  if (!spans) {
    const member = document.members.get(name);
    spans = member ? elementSpans(document.text, member.start) : [];
    document.elements.set(name, spans);
  }
  return spans;
}

export function replaceMember({ text }: DocumentText, object: Span, key: string, value: unknown): Edit {
  const { start, end } = memberSpans(text, object.start).get(key)!;
  return { start, end, text: JSON.stringify(value) };
}

/** Takes a member out with one of the commas beside it. */
export function removeMember({ text }: DocumentText, object: Span, key: string): Edit {
  const members = [...memberSpans(text, object.start)].sort((a, b) => a[1].keyStart - b[1].keyStart);
  const at = members.findIndex(([name]) => name === key);
  const { keyStart, end } = members[at]![1];
  const after = members[at + 1]?.[1];
  const before = members[at - 1]?.[1];
  if (after) return { start: keyStart, end: after.keyStart, text: '' };
  return { start: before ? before.end : keyStart, end, text: '' };
}

/** The edits that add entries, given as JSON texts, at the end of top-level arrays, which are made where they are missing. */
export function addEntries(document: DocumentText, entries: { [array: string]: readonly string[] }): Edit[] {
  const { text, object, members } = document;
  const edits: Edit[] = [];
  const created: string[] = [];
  for (const [name, elements] of Object.entries(entries)) {
    if (elements.length === 0) continue;
    const array = members.get(name);
    if (array) edits.push(appendElements(text, array, elements));
    else created.push(`${JSON.stringify(name)}:[${elements.join(',')}]`);
  }
  if (created.length > 0) edits.push(appendMembers(text, object, created));
  return edits;
}

/**
 * The edited text in UTF-8, in pieces to be laid one behind the other: what is not edited is a view of `bytes`. Edits
 * must not overlap; insertions at one place keep their order.
 *
 * @param from, to  what of the text is wanted, edits included
 */
export function editedBytes(
  document: DocumentText,
  edits: readonly Edit[],
  from = 0,
  to = document.text.length,
): Uint8Array[] {
  const pieces: Uint8Array[] = [];
  let at = from;
  for (const edit of edits.toSorted((a, b) => a.start - b.start)) {
    pieces.push(bytesBetween(document, at, edit.start), encoder.encode(edit.text));
    at = edit.end;
  }
  pieces.push(bytesBetween(document, at, to));
  return pieces;
}

function bytesBetween(document: DocumentText, start: number, end: number): Uint8Array {
  return document.bytes.subarray(byteOffset(document, start), byteOffset(document, end));
}

function byteOffset({ text, offsets }: DocumentText, at: number): number {
  if (!offsets) return at;
  let offset = offsets.get(at);
  if (offset === undefined) {
    offset = encoder.encode(text.slice(0, at)).length;
    offsets.set(at, offset);
  }
  return offset;
}
