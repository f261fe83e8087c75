// Wall thickness as amber: thin is light, thick is dark, so that grey eyes read it as well.

const STOPS = [[253, 240, 208], [242, 201, 122], [216, 148, 48], [158, 90, 18], [92, 44, 8]];

export function shadeOf(low, high) {
  return (value) => {
    const along = high > low ? ((value - low) / (high - low)) * (STOPS.length - 1) : 2;
    const i = Math.max(0, Math.min(STOPS.length - 2, Math.floor(along)));
    const part = Math.max(0, Math.min(1, along - i));
    const mixed = STOPS[i].map((c, k) => Math.round(c + (STOPS[i + 1][k] - c) * part));
    return `rgb(${mixed.join(", ")})`;
  };
}
