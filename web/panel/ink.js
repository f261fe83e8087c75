// Canvas helpers: the sheet's colours, sharp lines on any screen, one drawing per frame.

const inks = new Map();
const swatch = document.createElement("i");

// A canvas needs actual colours: the browser decides which of the two looks applies.
export function ink(name) {
  if (!inks.has(name)) {
    if (!swatch.isConnected) {
      swatch.hidden = true;
      document.body.append(swatch);
    }
    swatch.style.color = `var(--${name})`;
    inks.set(name, getComputedStyle(swatch).color);
  }
  return inks.get(name);
}

// After a change of look the colours are read again.
export const forgetInks = () => inks.clear();

export const FONT = '500 14px Bitter, "Noto Serif", Georgia, serif';

// Returns [context, width, height] in CSS pixels. The canvas is cleared and fitted to its box or to a
// given width.
export function fit(canvas, height, width = canvas.clientWidth || canvas.parentElement.clientWidth || 320) {
  const ratio = window.devicePixelRatio || 1;
  const [w, t] = [Math.round(width * ratio), Math.round(height * ratio)];
  if (canvas.width !== w || canvas.height !== t) {
    canvas.width = w;
    canvas.height = t;
    canvas.style.height = `${height}px`;
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(ratio, 0, 0, ratio, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = FONT;
  return [pen, width, height];
}

export function hatch(pen, colour, gap = 7) {
  const size = gap * 2;
  const tile = new OffscreenCanvas(size, size);
  const t = tile.getContext("2d");
  t.strokeStyle = colour;
  t.lineWidth = 1.2;
  for (let i = -size; i <= size; i += gap) {
    t.beginPath();
    t.moveTo(i, size);
    t.lineTo(i + size, 0);
    t.stroke();
  }
  return pen.createPattern(tile, "repeat");
}

// Round steps for an axis: 1, 2 or 5 times a power of ten.
export function niceStep(span, about) {
  const rough = span / about;
  const power = 10 ** Math.floor(Math.log10(rough));
  return power * ([1, 2, 5, 10].find((m) => m * power >= rough) ?? 10);
}
