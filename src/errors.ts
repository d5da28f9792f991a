/** Where in an input a fault lies. Every field is optional; give all that is known. */
export interface Place {
  /** File name as the user gave it. */
  file?: string;
  /** Line and column in a text file, both from 1. */
  line?: number;
  column?: number;
  /** JSON pointer (RFC 6901) into a JSON document, for instance `/nodes/3/skin`. */
  pointer?: string;
  /** Joint name, or `#` and the node index where the joint has none. */
  joint?: string;
  /** Frame, from 0. */
  frame?: number;
}

/** Writes a place the way a person reads it: `walk.bvh:412:7`, `rig.glb#/nodes/3`. */
export function formatPlace(place: Place): string {
  let text = place.file ?? '';
  if (place.line !== undefined) text += `:${place.line}`;
  if (place.line !== undefined && place.column !== undefined) text += `:${place.column}`;
  if (place.pointer !== undefined) text += `#${place.pointer}`;
  const details = [];
  if (place.joint !== undefined) details.push(`joint ${place.joint}`);
  if (place.frame !== undefined) details.push(`frame ${place.frame}`);
  if (details.length > 0) text += `${text ? ' ' : ''}(${details.join(', ')})`;
  return text;
}

/**
 * The one error that this library throws on purpose: a fault in what it was given.
 *
 * `code` is stable and names the module first, then the fault (`BVH_VALUE_COUNT`, `GLTF_NO_SKIN`).
 * `message` says what was found and what was expected; `hint` says what to do about it.
 */
export class RigproofError extends Error {
  override readonly name = 'RigproofError';
  readonly code: string;
  readonly place: Place;
  readonly hint: string | undefined;

  constructor(code: string, message: string, place: Place = {}, options: { hint?: string; cause?: unknown } = {}) {
    super(message, options.cause === undefined ? undefined : { cause: options.cause });
    this.code = code;
    this.place = place;
    this.hint = options.hint;
  }
}

/** One line for a terminal or a page: place, code, message, hint. No stack. */
export function formatError(error: RigproofError): string {
  const place = formatPlace(error.place);
  const hint = error.hint ? `\n  ${error.hint}` : '';
  return `${place ? `${place}  ` : ''}${error.code}  ${error.message}${hint}`;
}

/** A finding that is part of a result: something a person should know, but no reason to stop. */
export interface Note {
  /** Stable, module first: `BVH_FRAME_COUNT`, `PAIR_SIDES_SWAPPED`. */
  code: string;
  severity: 'info' | 'warning';
  message: string;
  place?: Place;
}
