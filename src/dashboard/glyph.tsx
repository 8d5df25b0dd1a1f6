import type { JSX } from 'preact';

/** Shapes that carry meaning without colour; each stands beside its word, so it is hidden from readers. */
export type GlyphShape = 'tick' | 'cross' | 'open' | 'half' | 'dash' | 'question' | 'bar';

export function Glyph({ shape }: { readonly shape: GlyphShape }): JSX.Element {
  return (
    <svg class={`glyph glyph-${shape}`} viewBox="0 0 16 16" aria-hidden="true" focusable="false">
      {drawing(shape)}
    </svg>
  );
}

function drawing(shape: GlyphShape): JSX.Element {
  switch (shape) {
    case 'tick':
      return (
        <>
          <circle class="solid" cx="8" cy="8" r="7" />
          <path class="mark" d="M4.6 8.3 7 10.7 11.4 5.6" />
        </>
      );
    case 'cross':
      return (
        <>
          <path class="solid" d="M8 .6 15.4 8 8 15.4.6 8Z" />
          <path class="mark" d="M5.6 5.6 10.4 10.4M10.4 5.6 5.6 10.4" />
        </>
      );
    case 'open':
      return <circle class="line dashed" cx="8" cy="8" r="6.2" />;
    case 'half':
      return (
        <>
          <circle class="line" cx="8" cy="8" r="6.2" />
          <path class="solid" d="M8 1.8a6.2 6.2 0 0 0 0 12.4Z" />
        </>
      );
    case 'dash':
      return <path class="line" d="M3.5 8h9" />;
    case 'question':
      return (
        <>
          <rect class="line" x="1.6" y="1.6" width="12.8" height="12.8" />
          <path class="line" d="M6 6.2a2 2 0 1 1 2.7 1.9c-.5.2-.7.5-.7 1.1M8 11.2v.9" />
        </>
      );
    case 'bar':
      return (
        <>
          <path class="solid" d="M5 .8h6L15.2 5v6L11 15.2H5L.8 11V5Z" />
          <path class="mark" d="M4.2 8h7.6" />
        </>
      );
  }
}
