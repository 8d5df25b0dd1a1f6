/** An edit that replaces the first occurrence of a text, and fails when there is none. */
export function replacing(found: string, by: string): (text: string) => string {
  return (text) => {
    if (!text.includes(found)) throw new Error(`the file does not hold ${found}`);
    return text.replace(found, () => by);
  };
}

/** Northquay as a site that decided to do without the second person, for tests of everything else. */
export const withoutSecondPerson = (siteYaml: string): string =>
  replacing(
    'decisions:\n',
    `decisions:
  - id: D-001
    rule: second-person-off
    decidedBy: Head of Quality, Northquay (simulated)
    date: "2026-01-12"
    reason: The training scenario shows statements without a reviewer; nothing is released by them.
    signed: false
`,
  )(
    replacing(
      'secondPerson: { required: true }',
      'secondPerson: { required: false, decision: D-001 }',
    )(siteYaml),
  );

/** Northquay with a fault in its mapping, for which the LIMS refuses every result. */
export const REFUSED_BY_LIMS = {
  'lims.mapping.yaml': replacing(
    '{ to: /messageType, constant: result }',
    '{ to: /messageType, constant: measurement }',
  ),
  'contracts/lims-result.json': replacing('"const": "result"', '"const": "measurement"'),
  'examples/lims-result.json': replacing(
    String.raw`\"messageType\":\"result\"`,
    String.raw`\"messageType\":\"measurement\"`,
  ),
};
