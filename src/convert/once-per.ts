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
