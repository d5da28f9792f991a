import { type Place, RigproofError } from '../errors.ts';
import { indexJson, type JsonIndex, lineAndColumn, pointerStep, syntaxErrorOffset } from './json-text.ts';
import type { Correction, Mapping, MappingSide } from './mapping.ts';
import { MAPPING_FORMAT, MAPPING_SCHEMA, MAPPING_VERSION } from './mapping-schema.ts';
import { nearestName } from './nearest-name.ts';
import { ROLES, type Role } from './roles.ts';

/**
 * Reads a mapping file.
 * @param name  file name, for messages
 * @throws RigproofError MAP_SYNTAX, MAP_FORMAT, MAP_VERSION, MAP_KEY_TWICE, MAP_KEY_UNKNOWN, MAP_ROLE_UNKNOWN,
 *   MAP_ROLE_TWICE, MAP_JOINT_TWICE, MAP_VALUE; each with line, column and JSON pointer
 */
export function parseMapping(text: string, name: string): Mapping {
  const clean = text.replace(/^\uFEFF/, '');
  const json = parseJson(clean, name);
  const index = indexJson(clean);
  const fail = (code: string, message: string, pointer: string, hint: string): never => {
    throw new RigproofError(code, message, placeOf(clean, index, name, pointer), { hint });
  };
  if (json === null || typeof json !== 'object' || Array.isArray(json) || !('format' in json)) {
    fail(
      'MAP_FORMAT',
      'This is JSON, but not a mapping file.',
      '',
      `It has to begin with "format": "${MAPPING_FORMAT}".`,
    );
  }
  const { format, version } = json as { format?: unknown; version?: unknown };
  if (format !== MAPPING_FORMAT) {
    fail(
      'MAP_FORMAT',
      `The format is ${show(format)}; expected "${MAPPING_FORMAT}".`,
      '/format',
      'Give a mapping file.',
    );
  }
  if (version !== MAPPING_VERSION) {
    const hint =
      typeof version === 'number' && version > MAPPING_VERSION
        ? 'A newer rigproof wrote this file: update rigproof.'
        : `Write "version": ${MAPPING_VERSION}.`;
    fail('MAP_VERSION', `The version is ${show(version)}; expected ${MAPPING_VERSION}.`, '/version', hint);
  }
  const repeated = index.repeatedKeys[0];
  if (repeated) {
    const isRole = /\/roles\/[^/]*$/.test(repeated.pointer);
    throw new RigproofError(
      isRole ? 'MAP_ROLE_TWICE' : 'MAP_KEY_TWICE',
      `${isRole ? 'Role' : 'Key'} "${repeated.key}" is given twice.`,
      { file: name, ...lineAndColumn(clean, repeated.offset), pointer: repeated.pointer },
      { hint: 'Keep the one that you mean.' },
    );
  }
  const result = MAPPING_SCHEMA.safeParse(json);
  if (!result.success) failOnIssue(json, result.error.issues, fail);
  const { $schema: _schema, format: _format, version: _version, ...mapping } = result.data!;
  for (const part of ['convention', 'source', 'target'] as const) {
    const roleOf = new Map<string, string>();
    for (const [role, joint] of Object.entries(mapping[part]?.roles ?? {})) {
      if (joint === null || joint === undefined) continue;
      const other = roleOf.get(joint);
      if (other !== undefined) {
        fail(
          'MAP_JOINT_TWICE',
          `Joint "${joint}" is given to ${other} and to ${role}.`,
          `/${part}/roles${pointerStep(role)}`,
          'A joint plays one role. Write null for the role that the figure has no joint for.',
        );
      }
      roleOf.set(joint, role);
    }
  }
  return mapping;
}

/** Writes a mapping file: two blanks of indent, members and roles in a fixed order, a line break at the end. */
export function writeMapping(mapping: Mapping): string {
  const file = {
    format: MAPPING_FORMAT,
    version: MAPPING_VERSION,
    about: mapping.about,
    convention: mapping.convention && {
      name: mapping.convention.name,
      roles: inRoleOrder(mapping.convention.roles),
    },
    source: mapping.source && orderedSide(mapping.source),
    target: mapping.target && orderedSide(mapping.target),
    chains: mapping.chains?.map(({ source, target }) => ({ source, target })),
    corrections:
      mapping.corrections && inRoleOrder(mapping.corrections, ({ swing, twist }: Correction) => ({ swing, twist })),
    limbs: mapping.limbs && {
      leftLeg: mapping.limbs.leftLeg,
      rightLeg: mapping.limbs.rightLeg,
      leftArm: mapping.limbs.leftArm,
      rightArm: mapping.limbs.rightArm,
    },
  };
  const text = JSON.stringify(file, null, 2);
  // Short things read better on one line: [0, 12.5], { "joint": "Ear" }, ["Tail1", "Tail2"].
  const oneLine = (body: string) => body.replaceAll(/\n\s+/g, ' ');
  const compact = text
    .replaceAll(/\[\n\s+([^[\]{}]{1,90}?)\n\s+\]/g, (_, body: string) => `[${oneLine(body)}]`)
    .replaceAll(/\{\n\s+([^{}]{1,90}?)\n\s+\}/g, (_, body: string) => `{ ${oneLine(body)} }`);
  return `${compact}\n`;
}

function parseJson(text: string, name: string): unknown {
  try {
    return JSON.parse(text);
  } catch (cause) {
    const offset = syntaxErrorOffset(text, cause);
    const place: Place = { file: name, ...(offset === undefined ? {} : lineAndColumn(text, offset)) };
    const what = text.trim() === '' ? 'The file is empty.' : `This is not JSON: ${describeSyntax(text, offset)}.`;
    throw new RigproofError('MAP_SYNTAX', what, place, {
      hint: 'A comma may be missing, or one may stand after the last entry. Text goes in double quotes; no comments.',
      cause,
    });
  }
}

function describeSyntax(text: string, offset: number | undefined): string {
  if (offset === undefined) return 'it cannot be read';
  const found = text.slice(offset).trimStart();
  return found === '' ? 'it ends too early' : `unexpected ${show([...found][0])}`;
}

function placeOf(text: string, index: JsonIndex, name: string, pointer: string): Place {
  const offset = index.offsets.get(pointer);
  if (pointer === '') return { file: name };
  return { file: name, ...(offset === undefined ? {} : lineAndColumn(text, offset)), pointer };
}

type Issue = NonNullable<ReturnType<typeof MAPPING_SCHEMA.safeParse>['error']>['issues'][number];

/** Turns the first fault that the schema found into words. */
function failOnIssue(
  json: unknown,
  issues: readonly Issue[],
  fail: (code: string, message: string, pointer: string, hint: string) => never,
): never {
  const issue = issues[0]!;
  const path = issue.path.map((step) => (typeof step === 'symbol' ? String(step) : step));
  const pointer = path.map(pointerStep).join('');
  const more = issues.length > 1 ? ` (and ${issues.length - 1} more)` : '';
  if (issue.code === 'unrecognized_keys') {
    const key = issue.keys[0]!;
    const at = pointer + pointerStep(key);
    const holder = path.at(-1);
    if (holder === 'roles' || holder === 'corrections') {
      const near = nearestName(key, ROLES);
      const hint = near
        ? `Did you mean "${near}"?`
        : 'Roles are the humanoid bone names of VRM 1.0, from hips to rightLittleDistal.';
      return fail('MAP_ROLE_UNKNOWN', `There is no role "${key}"${more}.`, at, hint);
    }
    const known = knownKeys(path);
    const near = nearestName(key, known);
    const hint = near ? `Did you mean "${near}"?` : `Known here: ${known.join(', ')}.`;
    return fail('MAP_KEY_UNKNOWN', `A mapping file has no "${key}" here${more}.`, at, hint);
  }
  const got = path.reduce<unknown>((value, step) => (value as Record<string | number, unknown>)?.[step], json);
  if (issue.code === 'invalid_value' && path.at(-1) === 'role') {
    const near = typeof got === 'string' ? nearestName(got, ROLES) : undefined;
    const hint = near ? `Did you mean "${near}"?` : 'Roles are the humanoid bone names of VRM 1.0.';
    return fail('MAP_ROLE_UNKNOWN', `There is no role ${show(got)}${more}.`, pointer, hint);
  }
  return fail('MAP_VALUE', `Got ${show(got)}; ${expectation(issue)}${more}.`, pointer, 'Mend the value at this place.');
}

function expectation(issue: Issue): string {
  const where = issue.path;
  if (where.includes('roles')) return 'expected a joint name in quotes, or null';
  if (where.includes('corrections'))
    return 'expected degrees from -180 to 180: "swing": [forward, outward], "twist": angle';
  if (where.includes('limbs')) return 'expected a number from 0 (keep the angles) to 1 (reach the place)';
  return issue.message.replace(/^.*?(expected|>=|<=)/, '$1').replace(/, received .*/, '');
}

/** The members that the schema knows at a place, for suggestions. */
function knownKeys(path: readonly (string | number)[]): string[] {
  switch (path[0]) {
    case undefined:
      return Object.keys(MAPPING_SCHEMA.shape);
    case 'source':
    case 'target':
      return path.length === 1 ? ['name', 'roles', 'forbid', 'hold', 'follow'] : ['joint', 'role'];
    case 'convention':
      return ['name', 'roles'];
    case 'chains':
      return ['source', 'target'];
    case 'corrections':
      return ['swing', 'twist'];
    default:
      return path.length === 1 ? ['leftLeg', 'rightLeg', 'leftArm', 'rightArm'] : ['reach'];
  }
}

function show(value: unknown): string {
  const text = JSON.stringify(value) ?? 'nothing';
  return text.length > 60 ? `${text.slice(0, 57)}…` : text;
}

function inRoleOrder<T>(record: Partial<Record<Role, T>>, each: (value: T) => unknown = (value) => value) {
  return Object.fromEntries(
    ROLES.filter((role) => record[role] !== undefined).map((role) => [role, each(record[role]!)]),
  );
}

function orderedSide(side: MappingSide) {
  return {
    name: side.name,
    roles: side.roles && inRoleOrder(side.roles),
    forbid: side.forbid?.map(({ joint, role }) => ({ joint, role })),
    hold: side.hold,
    follow: side.follow,
  };
}
