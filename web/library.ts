/** What the app uses of the library. */
export { findAnimation } from '../src/convert/animations.ts';
export { type Conversion, convert, sourceFigure } from '../src/convert/convert.ts';
export { DELIVER_DEFAULTS, type DeliveryForm, deliver } from '../src/convert/deliver.ts';
export { openCharacter } from '../src/convert/open-character.ts';
export { mappingOf, type PairingReport, reportPairing } from '../src/convert/pairing-report.ts';
export { type Performer, performerFromBvh, performerFromCharacter } from '../src/convert/performer.ts';
export { createReceiver, type Receiver } from '../src/convert/receiver.ts';
export { rereadFigure, SAMPLE_FPS } from '../src/convert/reread.ts';
export { formatPlace, type Note, type Place, RigproofError } from '../src/errors.ts';
export { type BvhFile, inferFrameRate, parseBvh } from '../src/formats/bvh/index.ts';
export { fileKind } from '../src/formats/file-kind.ts';
export { readAccessor } from '../src/formats/gltf/accessor.ts';
export type { Character } from '../src/formats/gltf/character.ts';
export { type GltfContainer, parseContainer } from '../src/formats/gltf/container.ts';
export { createDracoDecoder, type DracoDecoder } from '../src/formats/gltf/draco.ts';
export { documentOf, nodeName } from '../src/formats/gltf/nodes.ts';
export type { Body, HelperJoint, RoleReading } from '../src/pairing/body.ts';
export { SURE } from '../src/pairing/body.ts';
export { jointReference } from '../src/pairing/joint-ref.ts';
export {
  applyConvention,
  applyMapping,
  type Correction,
  type Mapping,
  type MappingSide,
  parseMapping,
  writeMapping,
} from '../src/pairing/mapping.ts';
export { directionName } from '../src/pairing/point.ts';
export type { BodyConstraints } from '../src/pairing/read-body.ts';
export { type RestPose, readRestPose } from '../src/pairing/rest-pose.ts';
export {
  mirrorRole,
  PARENT_ROLE,
  REQUIRED_ROLES,
  ROLES,
  type Role,
  type RoleMap,
  sideOf,
} from '../src/pairing/roles.ts';
export type { Measure, Proof, Where } from '../src/proof/measure.ts';
export { proofSheet } from '../src/proof/report-html.ts';
export { formatValue, formatWhere } from '../src/proof/report-text.ts';
export { MEASURE_RULES, type MeasureId } from '../src/proof/thresholds.ts';
export { RETARGET_DEFAULTS, type RetargetPlan } from '../src/retarget/plan.ts';
export { type Clip, framePose, type LocalPose, restLocalPose } from '../src/skeleton/clip.ts';
export type { FootContacts } from '../src/skeleton/contact-interval.ts';
export { LIMB_PARTS, LIMBS, type Limb } from '../src/skeleton/limb.ts';
export { SIDES, type Side } from '../src/skeleton/side.ts';
export { createWorldPose, restWorldPose, type Skeleton, type WorldPose } from '../src/skeleton/skeleton.ts';
export { jointMatrices, type SkinMesh } from '../src/skeleton/skin.ts';
