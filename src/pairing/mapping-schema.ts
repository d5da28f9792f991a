import { z } from 'zod';
import { ROLES, type Role } from './roles.ts';

// Compiled checks need `new Function`, which a page under a strict Content-Security-Policy may not call.
z.config({ jitless: true });

/** The value of `format` in every mapping file, and the version that this code writes. */
export const MAPPING_FORMAT = 'rigproof-mapping';
export const MAPPING_VERSION = 1;

const joint = z.string().min(1);
const role = z.enum(ROLES as [Role, ...Role[]]);
const degrees = z.number().min(-180).max(180);

const roles = z
  .partialRecord(role, joint.nullable())
  .describe('Role → joint name; null: this figure has no such joint.');

const side = z.strictObject({
  name: z.string().optional().describe('File or figure that the side was made for. Only for people.'),
  roles: roles.optional(),
  forbid: z
    .array(z.strictObject({ joint, role: role.optional() }))
    .optional()
    .describe('Joints that must not get the role, or no role at all where none is given.'),
  hold: z.array(joint).optional().describe('Joints that stay at their rest rotation, whatever the clip does.'),
  follow: z
    .array(joint)
    .optional()
    .describe('Joints that hang elsewhere in the tree but ride with the body part nearest to them in the rest pose.'),
});

const convention = z.strictObject({ name: z.string().optional(), roles });

const correction = z.strictObject({
  swing: z.tuple([degrees, degrees]).optional().describe('Degrees: forward, then outward.'),
  twist: degrees.optional().describe('Degrees about the long axis of the bone.'),
});

const limb = z.strictObject({
  reach: z.number().min(0).max(1).optional().describe('0: keep the angles of the limb; 1: reach the scaled place.'),
});

/** Version 1 of the mapping file. `z.toJSONSchema` of it is `mappings/schema/`. */
export const MAPPING_SCHEMA = z.strictObject({
  $schema: z.string().optional(),
  format: z.literal(MAPPING_FORMAT),
  version: z.literal(MAPPING_VERSION),
  about: z.union([z.string(), z.array(z.string())]).optional(),
  convention: convention.optional().describe('Role table of a naming convention; fits any figure that follows it.'),
  source: side.optional().describe('The figure that gives the motion.'),
  target: side.optional().describe('The figure that takes it.'),
  chains: z
    .array(z.strictObject({ source: z.array(joint).min(1), target: z.array(joint).min(1) }))
    .optional()
    .describe('Chains without roles (tails, extra limbs): the target chain takes the motion of the source chain.'),
  corrections: z.partialRecord(role, correction).optional(),
  limbs: z
    .strictObject({
      leftLeg: limb.optional(),
      rightLeg: limb.optional(),
      leftArm: limb.optional(),
      rightArm: limb.optional(),
    })
    .optional(),
});
