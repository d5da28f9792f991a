/**
 * The library: reads motion and characters, pairs joints, aligns rest poses, retargets, plants feet, proves the result and
 * writes it. Everything here is pure and runs in a browser, a worker or a server; files are opened by `rigproof/node`.
 *
 * ```ts
 * const take = parseBvh(bvhBytes, 'walk.bvh');
 * const character = await openCharacter(parseContainer(glbBytes, 'hero.glb'));
 * const performer = performerFromBvh(take.name, take.takes[0]!, take.notes);
 * const receiver = createReceiver(character);
 * const { clip, contacts, unreached } = convert(performer, receiver);
 * const proof = prove(targetFigure(receiver, clip), sourceFigure(performer), { contacts: contacts ?? undefined, unreached });
 * const { bytes } = deliver(receiver, clip, { name: 'walk' });
 * ```
 *
 * @packageDocumentation
 */

// Alignment and retargeting
export { type Alignment, alignFigure } from './alignment/alignment.ts';
export { correctionDirections, correctionRotation } from './alignment/corrections.ts';
// Contact
export {
  CONTACT_DEFAULTS,
  type ContactInput,
  type ContactOptions,
  type DetectedContacts,
  detectContacts,
} from './contact/detect.ts';
export type { HandPart } from './contact/hand-parts.ts';
export { HAND_DEFAULTS, type HandOptions } from './contact/hand-rests.ts';
export type { HandContact } from './contact/hands.ts';
export { createContactDetector } from './contact/live.ts';
export { feetOfMotion, type MovingFeet, soleOf, soleOfMotion } from './contact/measure-soles.ts';
export { PLANT_DEFAULTS, type Plant, type PlantOptions, type PlantResult, plantFeet } from './contact/plants.ts';
export type { Sole } from './contact/sole.ts';
export { footTrajectories } from './contact/trajectories.ts';
export { findAnimation } from './convert/animations.ts';
export { auditCharacter, type CharacterAudit } from './convert/audit.ts';
// The whole way
export {
  CONVERT_DEFAULTS,
  type Conversion,
  type ConvertOptions,
  convert,
  judgedFigure,
  sourceFigure,
  targetFigure,
} from './convert/convert.ts';
export {
  DELIVER_DEFAULTS,
  DELIVERY_FORMS,
  type DeliverOptions,
  type Delivery,
  type DeliveryForm,
  deliver,
} from './convert/deliver.ts';
export { FILTER_DEFAULTS, type FilterOptions, filterPerformer } from './convert/filter/filter-performer.ts';
export { closeLoop } from './convert/filter/loop.ts';
export { LOW_PASS_DEFAULTS, type LowPassOptions, lowPassClip } from './convert/filter/low-pass.ts';
export { mirrorClip } from './convert/filter/mirror.ts';
export { findGaps, REPAIR_DEFAULTS, type RepairOptions, repairClip } from './convert/filter/repair.ts';
export { type TrimOptions, trimClip } from './convert/filter/trim.ts';
export { limitJoints, measureExcesses, type RangeExcess } from './convert/joint-limits.ts';
export { contactsOf } from './convert/measured.ts';
export { type Mended, mendCharacter } from './convert/mend.ts';
export { openCharacter } from './convert/open-character.ts';
export { type Judged, type Motion, type Output, outputOf, readBack } from './convert/output.ts';
export { mappingOf, type PairingReport, reportPairing } from './convert/pairing-report.ts';
export {
  type Performer,
  type PerformerOptions,
  performerFromBvh,
  performerFromCharacter,
} from './convert/performer.ts';
export { createReceiver, type Receiver, receiverFor, toFileSpace } from './convert/receiver.ts';
export { type RereadCharacter, rereadCharacter, rereadFigure, SAMPLE_FPS } from './convert/reread.ts';
export { rigReport } from './convert/rig-report.ts';
export { needsNodeAbove, ROOT_MOTIONS, type RootMotion, withTravel } from './convert/root-motion.ts';
// Faults and findings
export { formatError, formatPlace, type Note, type Place, RigproofError } from './errors.ts';
// Files
export {
  type BvhChannel,
  type BvhFile,
  type BvhReader,
  type BvhTake,
  createBvhReader,
  type FrameRate,
  inferFrameRate,
  parseBvh,
} from './formats/bvh/index.ts';
export { writeBvh } from './formats/bvh/writer.ts';
export { type FileKind, fileKind } from './formats/file-kind.ts';
export { readAccessor } from './formats/gltf/accessor.ts';
export type { Character, HumanoidTable, ReferencePoseKind } from './formats/gltf/character.ts';
export { type GltfContainer, parseContainer } from './formats/gltf/container.ts';
export { createDracoDecoder, type DracoDecoder } from './formats/gltf/draco.ts';
export { documentOf, nodeName } from './formats/gltf/nodes.ts';
export { type AnimationReading, readAnimation } from './formats/gltf/read-animation.ts';
export { type ReadCharacterOptions, readCharacter } from './formats/gltf/read-character.ts';
export { type Inspection, inspectFigure } from './inspect.ts';
// Rotations
export { rotateVec } from './math/quat.ts';
// Pairing
export type { Body, BodyFrame, HelperJoint, RoleReading } from './pairing/body.ts';
export { SURE } from './pairing/body.ts';
export { findJoints, jointReference } from './pairing/joint-ref.ts';
export {
  type AppliedMapping,
  applyMapping,
  type Correction,
  type Mapping,
  type MappingSide,
} from './pairing/mapping.ts';
export { parseMapping, writeMapping } from './pairing/mapping-file.ts';
export { type MotionFrame, readMotionFrame } from './pairing/motion-frame.ts';
export { directionName } from './pairing/point.ts';
export { type BodyConstraints, type BodyInput, readBody } from './pairing/read-body.ts';
export { type RestPose, readRestPose } from './pairing/rest-pose.ts';
export { mirrorRole, PARENT_ROLE, REQUIRED_ROLES, ROLES, type Role, type RoleMap, sideOf } from './pairing/roles.ts';
// Proof and audit
export type { Measure, Proof, ProofFigure, ProofOptions, Where } from './proof/measure.ts';
export { createProofMemory, type ProofMemory } from './proof/memory.ts';
export { prove } from './proof/prove.ts';
export { proofSheet, type SheetContext } from './proof/report-html.ts';
export { formatProofJunit } from './proof/report-junit.ts';
export { failingMeasures, formatProof, formatValue, formatWhere, remedyOf } from './proof/report-text.ts';
export type { RigFinding, RigPlace, RigReport } from './proof/sheet-rig.ts';
export { MEASURE_RULES, type MeasureId } from './proof/thresholds.ts';
export type { Actor } from './retarget/actor.ts';
export { createLimbTargets, type LimbTargets } from './retarget/limb-targets.ts';
export { compileRetarget, RETARGET_DEFAULTS, type RetargetOptions, type RetargetPlan } from './retarget/plan.ts';
export { retargetClip } from './retarget/retarget-clip.ts';
export { createRetargeter, createTargetClip, type Retargeter } from './retarget/retargeter.ts';
export { type Audit, type AuditInput, auditRig, type Finding } from './rig/audit.ts';
export { type Exercise, exerciseClip } from './rig/exercise-clip.ts';
export { type AuditMarks, describeAudit, describePlace, formatFindingValue } from './rig/report-text.ts';
// Skeletons, clips, skins
export {
  type Clip,
  clipDuration,
  createClip,
  framePose,
  type LocalPose,
  readFrame,
  restLocalPose,
} from './skeleton/clip.ts';
export type { ContactInterval, FootContacts } from './skeleton/contact-interval.ts';
export { RANGES_OF_MOTION, type RangeOfMotion } from './skeleton/joint-ranges.ts';
export { LIMB_PARTS, LIMBS, type Limb } from './skeleton/limb.ts';
export {
  inversePlacement,
  type Placement,
  placeClip,
  placementOf,
  placeSkeleton,
  placeSkin,
} from './skeleton/normalise.ts';
export { SIDES, type Side } from './skeleton/side.ts';
export {
  buildSkeleton,
  createWorldPose,
  forwardKinematics,
  type JointSource,
  restWorldPose,
  type Skeleton,
  type Tip,
  type WorldPose,
} from './skeleton/skeleton.ts';
export { jointMatrices, type SkinMesh, skinVertices } from './skeleton/skin.ts';
export type { UnreachedCause, UnreachedPlant } from './skeleton/unreached-plant.ts';
