import type { Migration } from 'kysely';
import * as m0001 from './m0001-spine.js';
import * as m0003 from './m0003-many-settlers.js';
import * as m0004 from './m0004-change-source.js';
import * as m0005 from './m0005-people.js';
import * as m0006 from './m0006-sealed-trail.js';
import * as m0007 from './m0007-signatures.js';
import * as m0008 from './m0008-comparison.js';
import * as m0009 from './m0009-sweeps.js';
import * as m0010 from './m0010-receipts.js';
import * as m0011 from './m0011-second-person.js';
import * as m0012 from './m0012-attribution.js';
import * as m0014 from './m0014-delivery-acts.js';
import * as m0015 from './m0015-performance.js';
import * as m0017 from './m0017-measured-traces.js';
import * as m0018 from './m0018-inbound.js';
import * as m0019 from './m0019-methods.js';
import * as m0020 from './m0020-attribute-inspections.js';
import * as m0021 from './m0021-inspection-lifts.js';
import * as m0022 from './m0022-second-looks.js';
import * as m0023 from './m0023-indexes.js';
import * as m0024 from './m0024-listed-numbers.js';
import * as m0025 from './m0025-assumed-offsets.js';
import * as m0026 from './m0026-lineage-doubts.js';
import * as m0027 from './m0027-instrument-service.js';
import * as m0028 from './m0028-doubts-to-resend.js';
import * as m0029 from './m0029-copied-spectra.js';
import * as m0030 from './m0030-changes-and-drums.js';
import * as m0031 from './m0031-held-permissions.js';
import * as m0032 from './m0032-one-person.js';
import * as m0033 from './m0033-shared-differences.js';
import * as m0034 from './m0034-drum-numbers.js';
import * as m0035 from './m0035-links-that-say-more.js';
import * as m0036 from './m0036-findings-of-results.js';
import * as m0037 from './m0037-noise-curves.js';
import * as m0038 from './m0038-judged-anew.js';

/** Forward only; names sort in the order they run. */
export const migrations: Readonly<Record<string, Migration>> = {
  '0001-spine': m0001,
  '0003-many-settlers': m0003,
  '0004-change-source': m0004,
  '0005-people': m0005,
  '0006-sealed-trail': m0006,
  '0007-signatures': m0007,
  '0008-comparison': m0008,
  '0009-sweeps': m0009,
  '0010-receipts': m0010,
  '0011-second-person': m0011,
  '0012-attribution': m0012,
  '0014-delivery-acts': m0014,
  '0015-performance': m0015,
  '0017-measured-traces': m0017,
  '0018-inbound': m0018,
  '0019-methods': m0019,
  '0020-attribute-inspections': m0020,
  '0021-inspection-lifts': m0021,
  '0022-second-looks': m0022,
  '0023-indexes': m0023,
  '0024-listed-numbers': m0024,
  '0025-assumed-offsets': m0025,
  '0026-lineage-doubts': m0026,
  '0027-instrument-service': m0027,
  '0028-doubts-to-resend': m0028,
  '0029-copied-spectra': m0029,
  '0030-changes-and-drums': m0030,
  '0031-held-permissions': m0031,
  '0032-one-person': m0032,
  '0033-shared-differences': m0033,
  '0034-drum-numbers': m0034,
  '0035-links-that-say-more': m0035,
  '0036-findings-of-results': m0036,
  '0037-noise-curves': m0037,
  '0038-judged-anew': m0038,
};
