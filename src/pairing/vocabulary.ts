/**
 * Words by which people name joints: anatomy in the common forms of several languages and their usual abbreviations.
 * Common practice, no source; nothing here belongs to one product, and prefixes that all names of a file share are
 * found by counting, not by a list.
 */

/** What a word says about a joint. `shoulder`, `hip`, `arm` and `leg` are used for two parts each. */
export type Concept =
  | 'hip'
  | 'pelvis'
  | 'thigh'
  | 'shin'
  | 'leg'
  | 'knee'
  | 'ankle'
  | 'foot'
  | 'toe'
  | 'spine'
  | 'waist'
  | 'torso'
  | 'chest'
  | 'neck'
  | 'head'
  | 'collar'
  | 'shoulder'
  | 'arm'
  | 'upperarm'
  | 'forearm'
  | 'elbow'
  | 'wrist'
  | 'hand'
  | 'finger'
  | 'thumb'
  | 'index'
  | 'middle'
  | 'ring'
  | 'little'
  | 'eye'
  | 'jaw'
  | 'upper'
  | 'lower'
  | 'root'
  | 'twist'
  | 'pole'
  | 'control'
  | 'prop'
  | 'tip'
  | 'extra'
  | 'neutral';

const CONCEPT_WORDS: Record<Concept, string> = {
  hip: 'hip hips buttock huefte hufte hanche hanches cadera caderas anca anche koshi kosi 腰 尻',
  pelvis: 'pelvis pelv becken bassin bacino sacroiliac sacrum kotsuban 骨盤',
  thigh: 'thigh thighs femur oberschenkel cuisse muslo coscia futomomo 太もも upleg uppleg 大腿',
  shin: 'shin calf tibia shank crus unterschenkel mollet pantorrilla espinilla polpaccio sune すね 脛 小腿',
  leg: 'leg legs bein jambe pierna gamba perna ashi asi 足 脚',
  knee: 'knee knees knie genou rodilla ginocchio joelho hiza ひざ 膝',
  ankle: 'ankle ankles knoechel knochel cheville tobillo caviglia talocrural ashikubi 足首',
  foot: 'foot feet fuss fuß pied pie piede subtalar tarsal midtarsal hoof',
  toe: 'toe toes toebase ball zeh zehe zehen orteil orteils metatarsal metatarsophalangeal tsumasaki つま先',
  spine:
    'spine spn spin vertebra wirbel wirbelsaeule back ruecken rucken colonne columna colonna schiena sebone lumbar thoracic backbone vl vt 脊椎',
  waist: 'waist abdomen abdominal belly stomach bauch ventre abdome vientre pancia taille',
  torso: 'torso trunk rumpf tronc tronco body 上半身',
  chest: 'chest thorax ribcage ribs rib sternum brust brustkorb poitrine pecho petto torax mune 胸',
  neck: 'neck hals nacken genick cou cuello collo pescoco kubi cervical vc 首',
  head: 'head kopf tete cabeza testa cabeca atama skull cranium skullbase noggin 頭',
  collar:
    'clavicle clav clavicula collar collarbone scapula schluesselbein clavicule sternoclavicular acromioclavicular sakotsu 鎖骨',
  shoulder: 'shoulder shoulders shldr schulter epaule hombro spalla ombro kata 肩',
  arm: 'arm arms bras brazo braccio braco ude 腕',
  upperarm: 'humerus oberarm uparm 上腕',
  forearm: 'forearm foream unterarm ulna radius avantbras antebrazo avambraccio antebraco 前腕',
  elbow: 'elbow elbows ellbogen ellenbogen coude codo gomito cotovelo hiji ひじ 肘',
  wrist: 'wrist carpus carpal radiocarpal handgelenk poignet muneca polso pulso tekubi 手首',
  hand: 'hand hands palm fist main mano mao 手',
  finger: 'finger fingers fingerbase fing fngr doigt dedo dito digit phalanx phalanges yubi knuckle 指',
  thumb: 'thumb thumbs daumen pouce pulgar pollice polegar oyayubi 親指',
  index: 'index indexfinger pointer zeigefinger hitosashi 人指 人差指',
  middle: 'middle mid middlefinger mittelfinger majeur medio nakayubi 中指',
  ring: 'ring ringfinger annulaire anular anulare kusuriyubi 薬指',
  little: 'little pinky pinkie pinkey small littlefinger kleinerfinger auriculaire menique mignolo koyubi 小指',
  eye: 'eye eyes eyeball auge oeil ojo occhio olho 目',
  jaw: 'jaw mandible kiefer unterkiefer machoire mandibula mandibola chin temporomandibular 顎',
  upper: 'upper up upr ober superior haut sup',
  lower: 'lower low lwr lo unter inferior bas inf fore',
  root: 'root reference origin world armature skeleton rig humanoid master center centre global',
  twist: 'twist roll twst tw',
  pole: 'pole poletarget polevector pv',
  control: 'ik fk ctrl control controller target goal driver mch helper effector hint handle',
  prop: 'slot handslot weapon prop attach attachment socket holder grip sword gun shield item tool mount',
  tip: 'end tip nub endsite site leaf top',
  extra:
    'ear ears hair tail skirt cloth cape cloak breast boob tongue brow eyebrow eyelid lid lash lip lips mouth nose cheek teeth tooth beard wing wings fin fins feather hat horn antenna strap belt pony ponytail bang bangs braid sleeve scarf tie muscle fat pec glute bicep face snout beak trunkfat',
  neutral: 'joint bone jnt bn def deform base j b org bind skin the of s x',
};

export type NamedSide = 'left' | 'right';

const SIDE_WORDS: Record<NamedSide, string> = {
  left: 'left l lft lf links linke linker linkes gauche izquierda izquierdo izq sinistra sinistro sx esquerda esquerdo hidari 左',
  right:
    'right r rgt rt rechts rechte rechter rechtes droite droit derecha derecho der destra destro dx direita direito migi 右',
};

export const SIDES_BY_WORD = new Map<string, NamedSide>();
for (const [side, words] of Object.entries(SIDE_WORDS)) {
  for (const word of words.split(' ')) SIDES_BY_WORD.set(word, side as NamedSide);
}

export const CONCEPTS = new Map<string, Concept>();
for (const [concept, words] of Object.entries(CONCEPT_WORDS)) {
  for (const word of words.split(' ')) CONCEPTS.set(word, concept as Concept);
}

/** Words that mean something else in another language: they are read only in names that say a side. */
export const SIDED_ONLY: ReadonlySet<string> = new Set(['main', 'pie']);

/** Single letters and two-letter words are read only where they stand alone, as they end up inside other words. */
export const MIN_PART_LENGTH = 3;
export const SHORT_PARTS: ReadonlySet<string> = new Set(['up', 'lo']);
