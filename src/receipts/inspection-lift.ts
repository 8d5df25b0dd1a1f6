import { isAsMade } from '../signatures/shown-document.js';
import type { Signature } from '../signatures/signature.js';
import type { Inspection, InspectionLift } from './attribute-inspection.js';

/**
 * A count with what lifted it. A lift counts while its signature is as it was made and names this very count in what was
 * signed; else the count stands as before.
 */
export function withLift(
  inspection: Inspection,
  row: { readonly investigation: string } | undefined,
  signature: Signature | undefined,
): Inspection {
  if (row === undefined) return inspection;
  const lift: InspectionLift = {
    signatureId: signature?.id ?? '',
    isValid: isLiftOfInspection(signature, inspection.id),
    printedName: signature?.printedName ?? '',
    investigation: row.investigation,
    reason: signature?.reason ?? '',
  };
  return { ...inspection, lift };
}

function isLiftOfInspection(signature: Signature | undefined, inspectionId: string): boolean {
  if (signature === undefined || signature.meaning !== 'lifted') return false;
  if (!isAsMade(signature)) return false;
  const { record } = JSON.parse(signature.shown) as { readonly record?: { lifted?: string } };
  return record?.lifted === inspectionId;
}
