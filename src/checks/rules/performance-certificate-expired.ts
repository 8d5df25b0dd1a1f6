import { judgedPerformance } from '../judged-performance.js';
import type { BundleRule } from '../rule.js';

export const performanceCertificateExpired: BundleRule = {
  info: {
    code: 'performance-certificate-expired',
    severity: 'remark',
    scope: 'bundle',
    needs: 'site',
    meaning: 'The certificate of the standard had expired when it was used.',
    advice:
      'Renew the certificate or the standard, write it down in performance-checks.yaml, and check again.',
  },
  find: (about) => judgedPerformance(about, 'performance-certificate-expired'),
};
