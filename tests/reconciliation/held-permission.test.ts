import { describe, expect, it } from 'vitest';
import { mayPermit } from '../../src/reconciliation/held-permission.js';
import type { MappingDocument } from '../../src/site/mapping-document.js';

/** An ERP that releases on one value, and shows it in a list under another name. */
function document(of: Partial<MappingDocument> = {}): MappingDocument {
  const compare = [{ sent: '/body/usage', held: '/content/usage', as: 'exact' }];
  return {
    permits: [{ at: '/body/usage', values: ['USE-PERMITTED'] }],
    tables: {},
    messages: { statement: { fields: [], readBack: { compare } } },
    ...of,
  } as unknown as MappingDocument;
}

const usage = (text: string) => ({ content: { usage: text } });

describe('rule 28: a statement that only a lost life can have sent', () => {
  it.each([
    ['that shows the permitting value', usage('USE-PERMITTED'), true],
    ['that shows something too near to it', usage(' use-permitted'), true],
    ['that shows nothing there', usage(''), true],
    ['that shows another value', usage('AWAITING'), false],
    ['without the place', { content: {} }, true],
  ])('%s may permit: %s', (_, item, may) => {
    expect(mayPermit(item, 'statement', document())).toBe(may);
  });

  it('may permit where nothing that permits is ever compared', () => {
    const messages = { statement: { fields: [], readBack: { compare: [] } } };
    const blind = document({ messages: messages as unknown as MappingDocument['messages'] });
    expect(mayPermit(usage('AWAITING'), 'statement', blind)).toBe(true);
  });

  it('is read by its own word for conforms at a destination that never releases', () => {
    const field = { to: '/body/usage', from: 'statement.outcome', table: 'outcomes' };
    const { messages } = document();
    const statement = { ...messages.statement, fields: [field] };
    const lims = document({
      permits: [],
      tables: { outcomes: { conforms: 'C-1', incomplete: 'C-2' } },
      messages: { statement } as unknown as MappingDocument['messages'],
    });
    expect(mayPermit(usage('C-1'), 'statement', lims)).toBe(true);
    expect(mayPermit(usage('C-2'), 'statement', lims)).toBe(false);
    expect(mayPermit(usage('C-2'), 'statement', document({ permits: [] }))).toBe(true);
  });

  it('and a message of no known kind counts only where it shows the permission', () => {
    expect(mayPermit(usage('USE-PERMITTED'), null, document())).toBe(true);
    expect(mayPermit(usage('AWAITING'), null, document())).toBe(false);
    expect(mayPermit({}, null, document())).toBe(false);
    expect(mayPermit(usage('USE-PERMITTED'), 'stop', document())).toBe(false);
  });
});
