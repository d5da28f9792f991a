/**
 * A function that works out something of an owner once, and hands out the same result from then on. What it knows lives as
 * long as the owner.
 */
export function remembered<Owner extends object, Result>(work: (owner: Owner) => Result): (owner: Owner) => Result {
  const known = new WeakMap<Owner, { result: Result }>();
  return (owner) => {
    let entry = known.get(owner);
    if (entry === undefined) {
      entry = { result: work(owner) };
      known.set(owner, entry);
    }
    return entry.result;
  };
}

/** The same with one result a key. */
export function rememberedBy<Owner extends object, Key, Result>(
  work: (owner: Owner, key: Key) => Result,
): (owner: Owner, key: Key) => Result {
  const ofOwner = remembered((_: Owner) => new Map<Key, Result>());
  return (owner, key) => {
    const results = ofOwner(owner);
    let result = results.get(key);
    if (result === undefined) {
      result = work(owner, key);
      results.set(key, result);
    }
    return result;
  };
}
