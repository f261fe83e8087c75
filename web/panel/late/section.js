// The casting as a solid between the mould's face and the resin's face, and its section by a plane.

// Points of the resin's face: those of the mould's face, moved into the cavity by the wall.
export function innerFace({ vertices_mm: points, inward, wall_mm: wall }) {
  return points.map((p, i) => p.map((v, k) => v + inward[i][k] * wall[i]));
}

// Triangles of the cut face, each corner as [x, y, z, wall_mm]. The plane is normal . p = offset. Every
// triangle of the mould and its counterpart on the resin's face form a prism, a prism consists of three
// tetrahedra, and a plane cuts a tetrahedron in a triangle or a quadrilateral.
export function section(mesh, inner, normal, offset) {
  const { vertices_mm: outer, faces, wall_mm: wall } = mesh;
  const height = (p) => p[0] * normal[0] + p[1] * normal[1] + p[2] * normal[2] - offset;
  const far = outer.map(height);
  const near = inner.map(height);
  const corner = (v, within) => ({ p: within ? inner[v] : outer[v], d: within ? near[v] : far[v], wall: wall[v] });
  const found = [];
  for (const face of faces) {
    const signs = face.flatMap((v) => [far[v] > 0, near[v] > 0]);
    if (signs.every((s) => s === signs[0])) continue;
    const [a, b, c] = [...face].sort((x, y) => x - y); // neighbours split their prisms in the same way
    for (const four of [
      [corner(a), corner(b), corner(c), corner(c, true)],
      [corner(a), corner(b), corner(b, true), corner(c, true)],
      [corner(a), corner(a, true), corner(b, true), corner(c, true)],
    ]) found.push(...cutFour(four));
  }
  return found;
}

// The edges of the cut on the mould's face and on the resin's face, as pairs of points [x, y, z].
export function edges(mesh, inner, normal, offset) {
  const height = (p) => p[0] * normal[0] + p[1] * normal[1] + p[2] * normal[2] - offset;
  const pairs = [];
  for (const points of [mesh.vertices_mm, inner]) {
    const off = points.map(height);
    for (const face of mesh.faces) {
      const met = face.map((v, k) => [v, face[(k + 1) % 3]]).filter(([u, v]) => off[u] > 0 !== off[v] > 0)
        .map(([u, v]) => points[u].map((x, k) => x + ((points[v][k] - x) * off[u]) / (off[u] - off[v])));
      if (met.length === 2) pairs.push(met);
    }
  }
  return pairs;
}

function cutFour(four) {
  const above = four.filter((c) => c.d > 0);
  const below = four.filter((c) => c.d <= 0);
  if (!above.length || !below.length) return [];
  const meet = (u, v) => {
    const t = u.d / (u.d - v.d);
    return [...u.p.map((x, k) => x + (v.p[k] - x) * t), u.wall + (v.wall - u.wall) * t];
  };
  if (above.length === 2) {
    const [p, q, r, s] = [
      meet(above[0], below[0]), meet(above[0], below[1]), meet(above[1], below[1]), meet(above[1], below[0]),
    ];
    return [[p, q, r], [p, r, s]];
  }
  const [one, rest] = above.length === 1 ? [above[0], below] : [below[0], above];
  return [rest.map((other) => meet(one, other))];
}

// Wall at a point of a triangle, by its areas. All in the same plane; corners are [x, y, z].
export function between(point, [a, b, c], [wa, wb, wc]) {
  const area = (p, q, r) => {
    const [u, v] = [q.map((x, k) => x - p[k]), r.map((x, k) => x - p[k])];
    return Math.hypot(u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]);
  };
  const [ka, kb, kc] = [area(point, b, c), area(a, point, c), area(a, b, point)];
  return (ka * wa + kb * wb + kc * wc) / (ka + kb + kc || 1);
}
