import { describe, expect, it } from 'vitest';
import { readSideMarks, stemOf } from '../../src/pairing/side-marks.ts';

const BODY = ['hips', 'spine', 'chest', 'neck', 'head'];
const markOf = (name: string) => readSideMarks([...BODY, name])[BODY.length]!;

describe('side marks', () => {
  it.each([
    ['UpLeg.L', 'left', 'L', 'up leg'],
    ['r_hand_ctl', 'right', 'r', 'hand ctl'],
    ['leftUpperArm', 'left', 'left', 'upper arm'],
    ['ArmUpRight', 'right', 'Right', 'arm up'],
    ['Left shoulder', 'left', 'Left', 'shoulder'],
    ['rig_L_foot', 'left', 'L', 'rig foot'],
    ['Thumb2.R', 'right', 'R', 'thumb 2'],
    ['hand.L.001', 'left', 'L', 'hand 001'],
  ])('reads %s', (name, side, word, stem) => {
    expect(markOf(name)).toMatchObject({ side, word, stem });
  });

  it('gives partners one stem and one style', () => {
    for (const [left, right] of [
      ['UpLeg.L', 'UpLeg.R'],
      ['leftHand', 'rightHand'],
      ['l_toe_1', 'r_toe_1'],
      ['Left ankle', 'Right ankle'],
    ] as const) {
      const [a, b] = [markOf(left), markOf(right)];
      expect(a.stem).toBe(b.stem);
      expect(a.style).toBe(b.style);
      expect(a.side).not.toBe(b.side);
    }
  });

  it('tells styles apart by place, case, length and separator, not by numbers behind', () => {
    const styles = ['Hand.L', 'Hand_L', 'Hand.l', 'L.Hand', 'Hand.Left'].map((name) => markOf(name).style);
    expect(new Set(styles).size).toBe(styles.length);
    expect(markOf('Hand.L').style).toBe(markOf('Ring.L').style);
    expect(markOf('Hand.L.001').style).toBe(markOf('Hand.L').style);
  });

  it('reads no side where there is none', () => {
    expect(readSideMarks(['hips', 'Spine1', 'tail', 'collar'])).toEqual([null, null, null, null]);
    expect(stemOf('Ring3')).toBe(markOf('Ring3.R').stem);
  });
});
