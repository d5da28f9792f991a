import { Command } from 'commander';
import { auditCharacter } from '../convert/audit.ts';
import { openFile } from '../convert/node.ts';
import { RigproofError } from '../errors.ts';
import { describeAudit } from '../rig/report-text.ts';
import { frameOptions } from './body-options.ts';
import { constraintsFrom, type FrameFlags, mappingOption, readMapping } from './constraints.ts';
import { type CommonOptions, createOutput, EXIT } from './output.ts';

interface AuditFlags extends CommonOptions, FrameFlags {
  mapping?: string;
}

export function auditCommand(): Command {
  const command = new Command('audit')
    .description('Look a rig over before any motion: names, joints, binding and weights, and what to mend.')
    .argument('<character>', 'a .glb, .gltf or .vrm character')
    .addOption(mappingOption('--mapping <file>', 'roles fixed by hand'))
    .addHelpText(
      'after',
      '\nExit codes: 0 no faults, 1 faults found, 2 bad usage, 3 bad input.\n\nExample:\n  rigproof audit hero.glb\n  rigproof audit hero.glb --json',
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
  output.json({ file: path, humanoid: result.body.humanoid, reason: result.body.reason, ...result.audit });
  output.text(output.bold(path));
  if (!result.body.humanoid)
    output.text(`  Not read as a human body: ${result.body.reason}. What needs roles is left out.`);
  const marks = { fault: output.bad, good: output.good, quiet: output.dim, strong: output.bold };
  for (const line of describeAudit(result.audit, marks)) output.text(line);
  if (!result.audit.sound) process.exitCode = EXIT.PROOF_FAILED;
}
