import { computed, type ReadonlySignal, signal } from '@preact/signals';

const MOST = 200;

/** A value with undo and redo: a list of states and a place in it. States are never changed. */
export interface History<T> {
  readonly present: ReadonlySignal<T>;
  readonly canUndo: ReadonlySignal<string | null>;
  readonly canRedo: ReadonlySignal<string | null>;
  /**
   * Goes on to a new state; what was undone before is forgotten.
   * @param what  what was done, in a few words
   * @param joinsWith  changes with the same mark one after the other are one step: a drag
   * @returns whether it joined the step before
   */
  push(state: T, what: string, joinsWith?: string): boolean;
  undo(): void;
  redo(): void;
  /** Starts anew with a state. */
  reset(state: T): void;
}

interface Step<T> {
  state: T;
  what: string;
  mark?: string;
}

export function createHistory<T>(first: T): History<T> {
  const steps = signal<{ list: Step<T>[]; at: number }>({ list: [{ state: first, what: '' }], at: 0 });
  const present = computed(() => steps.value.list[steps.value.at]!.state);
  return {
    present,
    canUndo: computed(() => (steps.value.at > 0 ? steps.value.list[steps.value.at]!.what : null)),
    canRedo: computed(() => steps.value.list[steps.value.at + 1]?.what ?? null),
    push(state, what, joinsWith) {
      const { list, at } = steps.value;
      const joins = joinsWith !== undefined && list[at]!.mark === joinsWith && at === list.length - 1 && at > 0;
      const before = list.slice(0, joins ? at : at + 1).slice(-MOST);
      const next = [...before, { state, what, ...(joinsWith === undefined ? {} : { mark: joinsWith }) }];
      steps.value = { list: next, at: next.length - 1 };
      return joins;
    },
    undo() {
      const { list, at } = steps.value;
      if (at > 0) steps.value = { list, at: at - 1 };
    },
    redo() {
      const { list, at } = steps.value;
      if (at < list.length - 1) steps.value = { list, at: at + 1 };
    },
    reset(state) {
      steps.value = { list: [{ state, what: '' }], at: 0 };
    },
  };
}
