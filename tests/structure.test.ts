import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { dirname, join, relative, resolve } from 'node:path';
import { fileURLToPath } from 'node:url';
import ts from 'typescript';
import { describe, expect, it } from 'vitest';

const ROOT = fileURLToPath(new URL('..', import.meta.url));

/** What stands at a level of `src` and what it may import: modules of ours (folder or file) and packages. */
interface Rule {
  modules: string[];
  packages?: string[];
  /** Files of those modules that are out of bounds all the same. */
  except?: (file: string) => boolean;
}

const BASE = ['skeleton', 'math', 'errors.ts'];
const LIBRARY = [...BASE, 'formats', 'pairing', 'alignment', 'retarget', 'contact', 'proof', 'rig', 'convert'];
/** Files at the top of src that put modules together for callers; they are part of the portable library. */
const TOP_FILES = ['index.ts', 'convert.ts', 'inspect.ts'];

const isNodeEdge = (file: string) => file.endsWith('node.ts');
/** What judges a motion must not share a solver with what made it; of pairing it needs the vocabulary, not the reasoning. */
const isOutOfBoundsForJudges = (file: string) =>
  /^math\/.*(two-bone|solve|least-squares)/.test(file) ||
  (file.startsWith('pairing/') && file !== 'pairing/roles.ts' && file !== 'pairing/body.ts');

const RULES: Record<string, Rule> = {
  'errors.ts': { modules: [] },
  kernels: { modules: [] },
  math: { modules: ['errors.ts'], packages: ['ml-matrix'] },
  skeleton: { modules: ['math', 'errors.ts'] },
  formats: { modules: BASE, packages: ['@gltf-transform/', 'draco3dgltf'] },
  pairing: { modules: BASE, packages: ['zod'] },
  alignment: { modules: [...BASE, 'pairing'] },
  retarget: { modules: [...BASE, 'pairing', 'alignment'] },
  contact: { modules: [...BASE, 'pairing', 'retarget'] },
  proof: { modules: [...BASE, 'pairing'], except: isOutOfBoundsForJudges },
  rig: { modules: [...BASE, 'pairing'], except: isOutOfBoundsForJudges },
  convert: { modules: LIBRARY },
  ...Object.fromEntries(TOP_FILES.map((file) => [file, { modules: [...LIBRARY, ...TOP_FILES] }])),
  'node.ts': { modules: [...LIBRARY, ...TOP_FILES, 'batch', 'live'], packages: ['node:'] },
  batch: {
    modules: [...LIBRARY, ...TOP_FILES, 'node.ts'],
    packages: ['node:', 'piscina', 'bullmq', 'ioredis', 'aws4fetch'],
  },
  live: { modules: [...LIBRARY, ...TOP_FILES, 'node.ts'], packages: ['node:', 'ws'] },
  cli: {
    modules: [...LIBRARY, ...TOP_FILES, 'node.ts', 'batch', 'live'],
    packages: ['node:', 'commander', 'cli-progress'],
  },
};

/** Modules that run in a browser and in a worker too; of these, files named node.ts are the edge to the file system. */
const PORTABLE = new Set(['errors.ts', ...LIBRARY, ...TOP_FILES]);

/** Names that only one platform has, and the console: the library does not print. */
const PLATFORM_GLOBALS = new Set(
  'process Buffer global require module __dirname __filename setImmediate window document navigator location localStorage sessionStorage self HTMLElement XMLHttpRequest console'.split(
    ' ',
  ),
);

function sourceFiles(folder: string): string[] {
  const path = join(ROOT, folder);
  if (!existsSync(path)) return [];
  return readdirSync(path, { recursive: true, encoding: 'utf8' })
    .filter((name) => /\.tsx?$/.test(name) && !/(^|[/\\])(dist|node_modules)[/\\]/.test(name))
    .map((name) => join(folder, name).replaceAll('\\', '/'))
    .sort();
}

interface Import {
  /** From the project root, for instance `src/math/quat.ts`. */
  file: string;
  /** As written. */
  specifier: string;
  /** Resolved file from the project root; null for a package. */
  target: string | null;
}

/** Every import, export-from, dynamic import and import type of a file. */
function importsOf(file: string): Import[] {
  const { importedFiles } = ts.preProcessFile(readFileSync(join(ROOT, file), 'utf8'), true, true);
  return importedFiles.map(({ fileName: specifier }) => ({
    file,
    specifier,
    target: specifier.startsWith('.')
      ? relative(ROOT, resolve(ROOT, dirname(file), specifier)).replaceAll('\\', '/')
      : null,
  }));
}

const files = sourceFiles('src');
const imports = files.flatMap(importsOf);
const moduleOf = (file: string) => file.split('/')[1]!;

/** Why an import inside src is not allowed, or null. */
function breach({ file, specifier, target }: Import): string | null {
  const module = moduleOf(file);
  const rule = RULES[module];
  if (!rule) return `${file}: "${module}" has no rule; add it to the table`;
  if (target === null) {
    const packages = [...(rule.packages ?? []), ...(PORTABLE.has(module) && isNodeEdge(file) ? ['node:'] : [])];
    const allowed = packages.some((name) => specifier === name || (/[:/]$/.test(name) && specifier.startsWith(name)));
    return allowed ? null : `${file} imports the package ${specifier}`;
  }
  if (!target.startsWith('src/')) return `${file} imports ${target}, which is outside of src`;
  const targetModule = moduleOf(target);
  const inner = target.slice('src/'.length);
  if (PORTABLE.has(module) && !isNodeEdge(file) && isNodeEdge(target)) return `${file} imports the file edge ${target}`;
  if (targetModule === module) return null;
  if (!rule.modules.includes(targetModule) || rule.except?.(inner)) return `${file} imports ${target}`;
  return null;
}

/** Uses of platform names in a file that it does not declare itself, as `file:line name`. */
function platformUses(file: string, text: string): string[] {
  const source = ts.createSourceFile(file, text, ts.ScriptTarget.Latest, true);
  const declared = new Set<string>();
  const uses: ts.Identifier[] = [];
  const visit = (node: ts.Node): void => {
    if (ts.isIdentifier(node) && PLATFORM_GLOBALS.has(node.text)) {
      const { parent } = node;
      const isDeclaration =
        (ts.isVariableDeclaration(parent) ||
          ts.isParameter(parent) ||
          ts.isBindingElement(parent) ||
          ts.isFunctionDeclaration(parent) ||
          ts.isImportSpecifier(parent)) &&
        parent.name === node;
      const isMember =
        (ts.isPropertyAccessExpression(parent) && parent.name === node) ||
        (ts.isPropertyAssignment(parent) && parent.name === node) ||
        ((ts.isPropertySignature(parent) || ts.isPropertyDeclaration(parent)) && parent.name === node) ||
        (ts.isBindingElement(parent) && parent.propertyName === node);
      if (isDeclaration) declared.add(node.text);
      else if (!isMember) uses.push(node);
    }
    ts.forEachChild(node, visit);
  };
  visit(source);
  return uses
    .filter((use) => !declared.has(use.text))
    .map((use) => `${file}:${source.getLineAndCharacterOfPosition(use.getStart()).line + 1} ${use.text}`);
}

/** One cycle of imports, as a list of files, or null. */
function findCycle(edges: Map<string, string[]>): string[] | null {
  const done = new Set<string>();
  const path: string[] = [];
  const visit = (file: string): string[] | null => {
    if (path.includes(file)) return [...path.slice(path.indexOf(file)), file];
    if (done.has(file)) return null;
    path.push(file);
    for (const next of edges.get(file) ?? []) {
      const cycle = visit(next);
      if (cycle) return cycle;
    }
    path.pop();
    done.add(file);
    return null;
  };
  for (const file of edges.keys()) {
    const cycle = visit(file);
    if (cycle) return cycle;
  }
  return null;
}

describe('the structure of src', () => {
  it('is read at all', () => {
    expect(files).toContain('src/errors.ts');
    expect(imports.length).toBeGreaterThan(20);
    expect(importsOf('src/skeleton/skeleton.ts').map(({ target }) => target)).toContain('src/math/quat.ts');
    // This one is an `import type`.
    expect(importsOf('src/retarget/actor.ts').map(({ target }) => target)).toContain('src/alignment/alignment.ts');
  });

  it('imports only in the directions of the table, types too', () => {
    expect(imports.map(breach).filter(Boolean)).toEqual([]);
  });

  it('imports only files that are there', () => {
    const missing = imports.filter(({ target }) => target && !existsSync(join(ROOT, target)));
    expect(missing.map(({ file, specifier }) => `${file}: ${specifier}`)).toEqual([]);
  });

  it('has no import cycle', () => {
    const edges = new Map(files.map((file) => [file, [] as string[]]));
    for (const { file, target } of imports) if (target) edges.get(file)!.push(target);
    expect(findCycle(edges)).toBeNull();
  });

  it('keeps the library free of Node, DOM and console', () => {
    const portable = files.filter((file) => PORTABLE.has(moduleOf(file)) && !isNodeEdge(file));
    expect(portable.flatMap((file) => platformUses(file, readFileSync(join(ROOT, file), 'utf8')))).toEqual([]);
  });

  it('imports three for display only: nowhere in src', () => {
    expect(imports.filter(({ specifier }) => /^three(\/|$)/.test(specifier))).toEqual([]);
  });
});

describe('the structure around src', () => {
  it('lets the browser app reach the library by its front door', () => {
    // draco3dgltf: its WebAssembly, as a file beside the page.
    const packages = /^(three|preact|@preact\/signals|uplot|fflate|draco3dgltf)(\/|$)/;
    const breaches = sourceFiles('web')
      .flatMap(importsOf)
      .filter(({ file }) => !file.endsWith('/vite.config.ts'))
      .filter(({ specifier, target }) =>
        target ? !target.startsWith('web/') && target !== 'src/index.ts' : !packages.test(specifier),
      );
    expect(breaches.map(({ file, specifier }) => `${file}: ${specifier}`)).toEqual([]);
  });

  it('lets samples call the library only', () => {
    const breaches = sourceFiles('samples')
      .flatMap(importsOf)
      .filter(({ target }) => target?.startsWith('src/') && target !== 'src/index.ts' && target !== 'src/node.ts');
    expect(breaches.map(({ file, specifier }) => `${file}: ${specifier}`)).toEqual([]);
  });
});

describe('the check itself', () => {
  const from = (file: string, specifier: string, target: string | null = null) => breach({ file, specifier, target });

  it.each([
    ['a format that knows pairing', 'src/formats/bvh/x.ts', '../../pairing/roles.ts', 'src/pairing/roles.ts'],
    ['a judge that shares a solver', 'src/proof/x.ts', '../math/two-bone.ts', 'src/math/two-bone.ts'],
    ['a judge that reads names', 'src/rig/x.ts', '../pairing/mapping.ts', 'src/pairing/mapping.ts'],
    ['retarget that knows contact', 'src/retarget/x.ts', '../contact/x.ts', 'src/contact/x.ts'],
    ['the library that opens files', 'src/index.ts', './formats/bvh/node.ts', 'src/formats/bvh/node.ts'],
    ['errors that import', 'src/errors.ts', './math/vec.ts', 'src/math/vec.ts'],
    ['node in the core', 'src/math/x.ts', 'node:fs', null],
    ['three in the core', 'src/retarget/x.ts', 'three', null],
    ['zod outside of pairing', 'src/proof/x.ts', 'zod', null],
    ['a module without a rule', 'src/extra/x.ts', '../errors.ts', 'src/errors.ts'],
  ])('sees %s', (_, file, specifier, target) => {
    expect(from(file, specifier, target)).not.toBeNull();
  });

  it('sees a platform name, not a member or a local of that name', () => {
    const text = 'const document = read(); a.window = document; const b = { process: 1 };';
    expect(platformUses('x.ts', text)).toEqual([]);
    expect(platformUses('x.ts', 'export const a = 1;\nif (process.env.X) console.log(window);')).toEqual([
      'x.ts:2 process',
      'x.ts:2 console',
      'x.ts:2 window',
    ]);
  });

  it('sees a cycle', () => {
    const edges = new Map([
      ['a', ['b']],
      ['b', ['c']],
      ['c', ['b']],
    ]);
    expect(findCycle(edges)).toEqual(['b', 'c', 'b']);
  });
});
