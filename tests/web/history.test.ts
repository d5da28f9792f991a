import { describe, expect, it } from 'vitest';
import { createHistory } from '../../web/model/history.ts';

describe('history of a session', () => {
  it('goes back and on, and says what it would undo and redo', () => {
    const history = createHistory('a');
    history.push('b', 'to b');
    history.push('c', 'to c');
    history.undo();
    expect([history.present.value, history.canUndo.value, history.canRedo.value]).toEqual(['b', 'to b', 'to c']);
    history.redo();
    expect([history.present.value, history.canUndo.value, history.canRedo.value]).toEqual(['c', 'to c', null]);
  });

  it('forgets what was undone when something new is done', () => {
    const history = createHistory('a');
    history.push('b', 'to b');
    history.undo();
    history.push('c', 'to c');
    history.redo();
    expect(history.present.value).toBe('c');
    history.undo();
    expect([history.present.value, history.canUndo.value]).toEqual(['a', null]);
  });

  it('takes the steps of one drag back at once, and those of two drags one by one', () => {
    const history = createHistory(0);
    expect([1, 2, 3].map((x) => history.push(x, 'drag', 'arm'))).toEqual([false, true, true]);
    expect(history.push(4, 'drag', 'leg')).toBe(false);
    history.undo();
    expect(history.present.value).toBe(3);
    history.undo();
    expect(history.present.value).toBe(0);
  });

  it('does not join a drag to one that was undone', () => {
    const history = createHistory(0);
    history.push(1, 'drag', 'arm');
    history.push(5, 'other');
    history.undo();
    history.push(2, 'drag', 'arm');
    history.undo();
    expect(history.present.value).toBe(1);
  });
});
