/** A message for the sink with a body of exactly so many bytes. */
export function bodyOf(reference, bytes) {
  return JSON.stringify(treeOf(reference, bytes));
}

export function treeOf(reference, bytes) {
  const tree = { reference, messageType: 'result', note: '' };
  return { ...tree, note: 'n'.repeat(bytes - JSON.stringify(tree).length) };
}
