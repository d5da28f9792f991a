/**
 * A function of an object that is never changed, which looks once and remembers the answer for as long as the object is
 * there. What it returns is shared: nobody may change it.
 */
export function oncePer<Key extends object, Value>(find: (key: Key) => Value): (key: Key) => Value {
  const found = new WeakMap<Key, Value>();
  return (key) => {
    let value = found.get(key);
    if (value === undefined) {
      value = find(key);
      found.set(key, value);
    }
    return value;
  };
}

/** The same for a function of an object and of something else about it: one answer for each of the second. */
export function oncePerKey<Owner extends object, Key, Value>(
  find: (owner: Owner, key: Key) => Value,
): (owner: Owner, key: Key) => Value {
  const answersOf = oncePer((_: Owner) => new Map<Key, Value>());
  return (owner, key) => {
    const answers = answersOf(owner);
    let value = answers.get(key);
    if (value === undefined) {
      value = find(owner, key);
      answers.set(key, value);
    }
    return value;
  };
}
