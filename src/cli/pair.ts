import { existsSync } from 'node:fs';
import { Command, InvalidArgumentError } from 'commander';
import { mappingOf, type PairedFigure, type PairingReport, reportPairing } from '../convert/pairing-report.ts';
import { RigproofError } from '../errors.ts';
import { keepInputs, writeWholeFile } from '../formats/node.ts';
import { nearestName } from '../pairing/nearest-name.ts';
import { ROLES, type Role } from '../pairing/roles.ts';
import { frameOptions } from './body-options.ts';
import { type PairMappingFlags, pairConstraints, pairMappingOptions } from './constraints.ts';
import { openFigure } from './figure.ts';
import { type CommonOptions, createOutput, type Output, table } from './output.ts';

interface PairFlags extends CommonOptions, PairMappingFlags {
  output?: string;
  force?: boolean;
  explain?: Role;
}

export function pairCommand(): Command {
  const command = new Command('pair')
    .description(
      'Pair the joints of a clip with those of a character, show how sure that is, and write a mapping file.',
    )
    .argument('<source>', 'the clip: .bvh, or a .glb, .gltf or .vrm with animations')
    .argument('<target>', 'the character: .glb, .gltf or .vrm')
    .option('-o, --output <file>', 'write the pairing as a mapping file, to be edited by hand')
    .option('--force', 'replace a mapping file that is there')
    .option('--explain <role>', 'print all evidence for one role', parseRole);
  for (const option of [
    ...pairMappingOptions(),
    ...frameOptions('source-', 'clip'),
    ...frameOptions('target-', 'character'),
  ]) {
    command.addOption(option);
  }
  return command
    .addHelpText(
      'after',
      '\nExample:\n  rigproof pair walk.bvh hero.glb\n  rigproof pair walk.bvh hero.glb -o hero.map.json\n  rigproof pair walk.bvh hero.glb --explain leftHand',
    )
    .action(pair);
}

function parseRole(text: string): Role {
  if (ROLES.includes(text as Role)) return text as Role;
  const near = nearestName(text, ROLES);
  throw new InvalidArgumentError(near ? `Did you mean ${near}?` : `Roles are ${ROLES.join(', ')}.`);
}

async function pair(sourcePath: string, targetPath: string, flags: PairFlags): Promise<void> {
  const output = createOutput(flags);
  if (flags.output !== undefined) {
    await keepInputs(flags.output, [sourcePath, targetPath]);
    if (existsSync(flags.output) && !flags.force) {
      throw new RigproofError(
        'FILE_EXISTS',
        'There is such a file already, and it may have been edited by hand.',
        { file: flags.output },
        { hint: 'Give another name with -o, or --force to replace it.' },
      );
    }
  }
  const constraints = await pairConstraints(flags);
  const source = await openFigure(sourcePath, (skeleton) => constraints.of('source', skeleton));
  const target = await openFigure(targetPath, (skeleton) => constraints.of('target', skeleton));
  const report = reportPairing(source, target);
  if (flags.output !== undefined) {
    const { writeMapping } = await import('../pairing/mapping-file.ts');
    await writeWholeFile(flags.output, writeMapping(mappingOf(source, target, constraints.mapping)));
  }
  output.json({ ...report, mapping: flags.output ?? null });
  if (flags.explain) explain(flags.explain, source, target, report, output);
  else print(report, output);
  for (const note of report.warnings) output.note({ ...note, place: note.place ?? undefined });
  if (flags.output !== undefined) output.text(`\nWritten: ${flags.output}`);
}

function print(report: PairingReport, output: Output): void {
  output.text(output.bold(`${report.source.file} → ${report.target.file}`));
  const row = ({ role, source, target, confidence }: PairingReport['pairs'][number]) => [
    role,
    source.joint,
    target.joint,
    `${Math.round(confidence * 100)} %`,
  ];
  const unsure = report.pairs.filter(({ sure }) => !sure);
  if (unsure.length > 0) {
    output.text();
    output.text(output.bad(`Look at ${unsure.length === 1 ? 'this one' : `these ${unsure.length}`}:`));
    for (const line of table(unsure.map(row))) output.text(line);
    output.text(output.dim('  rigproof pair … --explain ROLE prints the evidence.'));
  }
  output.text();
  output.text(output.good(`Sure, ${report.pairs.length - unsure.length}:`));
  for (const line of table(report.pairs.filter(({ sure }) => sure).map(row))) output.text(line);
  const list = (title: string, entries: { role: Role; joint: string }[]) => {
    if (entries.length === 0) return;
    output.text();
    output.text(`${title}:`);
    for (const line of table(entries.map(({ role, joint }) => [role, joint]))) output.text(line);
  };
  list('Only the clip has', report.sourceOnly);
  list('Only the character has', report.targetOnly);
  if (report.missing.length > 0) {
    output.text();
    output.text(output.bad(`Not paired, though a humanoid needs it: ${report.missing.join(', ')}`));
  }
}

function explain(role: Role, source: PairedFigure, target: PairedFigure, report: PairingReport, output: Output): void {
  const pairing = report.pairs.find((entry) => entry.role === role);
  for (const [figure, joint] of [
    [source, pairing?.source],
    [target, pairing?.target],
  ] as const) {
    const index = figure.body.roles[role];
    const reading = figure.body.readings[role];
    if (index === undefined) {
      output.text(`${output.bold(figure.file)}: no joint is ${role}.`);
      continue;
    }
    const confidence = joint?.confidence ?? reading?.confidence ?? 1;
    output.text(
      `${output.bold(figure.file)}: ${role} is ${figure.skeleton.names[index]}, ${Math.round(confidence * 100)} %`,
    );
    for (const sentence of reading?.evidence ?? ['set by hand']) output.text(`  ${sentence}`);
  }
}
