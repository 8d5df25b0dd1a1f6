import { execFileSync } from 'node:child_process';
import { describe, expect, test } from 'vitest';

function isThere(): boolean {
  try {
    execFileSync('pdftotext', ['-v'], { stdio: 'ignore' });
    return true;
  } catch (error) {
    return (error as NodeJS.ErrnoException).code !== 'ENOENT';
  }
}

/**
 * A `describe` that runs Poppler's `pdftotext` (Debian package poppler-utils). Where it is absent the block shows up as
 * not run; with `CI=true` its absence is a failure.
 */
export function describeWithPoppler(name: string, define: () => void): void {
  if (isThere()) {
    describe(name, define);
    return;
  }
  const mustExist = process.env['CI'] === 'true';
  describe(`${name} (pdftotext is absent)`, () => {
    test.skipIf(!mustExist)('is read by pdftotext', () => {
      expect.fail('pdftotext (Debian package poppler-utils) is absent, and CI=true requires it');
    });
  });
}

export interface PdfWord {
  readonly text: string;
  /** It lies within the page. */
  readonly isOnPage: boolean;
  /** Counted from 1. */
  readonly page: number;
}

/** What stands in a PDF, by runs of characters without a space, in the order of the file. */
export function wordsOfPdf(pdf: Uint8Array): PdfWord[] {
  const html = execFileSync('pdftotext', ['-bbox', '-', '-'], { input: pdf, encoding: 'utf8' });
  const words: PdfWord[] = [];
  let page = { number: 0, width: 0, height: 0 };
  const parts =
    /<page width="([\d.]+)" height="([\d.]+)">|<word xMin="(-?[\d.]+)" yMin="(-?[\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)<\/word>/g;
  for (const [, width, height, xMin, yMin, xMax, yMax, text] of html.matchAll(parts)) {
    if (width !== undefined) {
      page = { number: page.number + 1, width: Number(width), height: Number(height) };
      continue;
    }
    const isBeyond = Number(xMax) > page.width || Number(yMax) > page.height;
    const isOnPage = Number(xMin) >= 0 && Number(yMin) >= 0 && !isBeyond;
    words.push({ text: text ?? '', isOnPage, page: page.number });
  }
  return words;
}
