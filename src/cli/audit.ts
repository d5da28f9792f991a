import { Command } from 'commander';
import { auditCharacter } from '../convert/audit.ts';
import { mendCharacter } from '../convert/mend.ts';
import { openFile } from '../convert/node.ts';
import { RigproofError } from '../errors.ts';
import { keepInputs, writeWholeFile } from '../formats/node.ts';
import { describeAudit } from '../rig/report-text.ts';
import { frameOptions } from './body-options.ts';
import { constraintsFrom, type FrameFlags, mappingOption, readMapping } from './constraints.ts';
import { type CommonOptions, createOutput, EXIT } from './output.ts';

interface AuditFlags extends CommonOptions, FrameFlags {
  mapping?: string;
  mend?: string;
}

/** More joints than this are not listed beside what was mended. */
const MOST_NAMED = 6;

export function auditCommand(): Command {
  const command = new Command('audit')
    .description('Look a rig over before any motion: names, joints, binding and weights, and what to mend.')
    .argument('<character>', 'a .glb, .gltf or .vrm character')
    .option('--mend <file>', 'write a copy (.glb) with what can be mended safely in the weights')
    .addOption(mappingOption('--mapping <file>', 'roles fixed by hand'))
    .addHelpText(
      'after',
      '\nExit codes: 0 no faults, 1 faults found, 2 bad usage, 3 bad input.\n\nExample:\n  rigproof audit hero.glb\n  rigproof audit hero.glb --mend hero-mended.glb',
    );
  for (const option of frameOptions()) command.addOption(option);
  return command.action(audit);
}

async function audit(path: string, flags: AuditFlags): Promise<void> {
  const output = createOutput(flags);
  const mapping = flags.mapping ? await readMapping(flags.mapping) : undefined;
  const opened = await openFile(path);
  if (opened.kind === 'clip') {
    throw new RigproofError(
      'AUDIT_NO_CHARACTER',
      'This is a clip; an audit looks at a character.',
      { file: path },
      { hint: 'Give a .glb, .gltf or .vrm file with a skeleton.' },
    );
  }
  const { character } = opened;
  const result = auditCharacter(character, constraintsFrom(mapping, 'either', character.skeleton, flags));
  const mended = flags.mend === undefined ? null : mendCharacter(character, result.input);
  if (mended && flags.mend !== undefined) {
    await keepInputs(flags.mend, [path]);
    await writeWholeFile(flags.mend, mended.bytes);
  }
  const { humanoid, reason } = result.body;
  const mend = mended && { file: flags.mend, actions: mended.actions };
  output.json({ format: 'rigproof-audit', version: 1, file: path, humanoid, reason, ...result.audit, mend });
  output.text(output.bold(path));
  if (!humanoid) output.text(`  Not read as a human body: ${reason}. What needs roles is left out.`);
  const marks = { fault: output.bad, good: output.good, quiet: output.dim, strong: output.bold };
  for (const line of describeAudit(result.audit, marks)) output.text(line);
  if (mended) {
    output.text();
    output.text(`  ${flags.mend}`);
    for (const { what, mesh, vertexCount, joints } of mended.actions) {
      const names = joints.length > 0 && joints.length <= MOST_NAMED ? ` (${joints.join(', ')})` : '';
      output.text(`    ${what}: ${vertexCount} ${vertexCount === 1 ? 'vertex' : 'vertices'} of ${mesh}${names}`);
    }
    if (mended.actions.length === 0) output.text('    nothing to mend in the weights: a copy');
    for (const note of mended.notes) output.note(note);
  }
  if (!result.audit.sound) process.exitCode = EXIT.PROOF_FAILED;
}
