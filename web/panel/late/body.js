// The casting in three dimensions, coloured by its wall: whole, cut through the thinnest place, or
// transparent; turned by hand, or oriented as on the frame now. A tap reads a thickness.

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, Group, LineBasicMaterial,
  LineSegments, Mesh, MeshBasicMaterial, MeshLambertMaterial, PerspectiveCamera, Plane, Quaternion, Raycaster,
  Scene, SphereGeometry, Vector2, Vector3, WebGLRenderer,
} from "../vendor/three/three.module.js";
import { h, say } from "../dom.js";
import { ink } from "../ink.js";
import { length } from "../units.js";
import { legend, reading, shadeOf } from "./shade.js";
import { between, edges, innerFace, section } from "./section.js";

const HEIGHT = 340;
const TAP_px = 6; // a finger that moves further turns the casting
const SEEN_THROUGH = 0.42;
const VIEWS = [["whole", "Whole"], ["cut", "Cut away"], ["through", "Seen through"]];

export class Body {
  // frame: whether there is a frame whose orientation it can follow.
  constructor(box, mesh, { frame = true } = {}) {
    this.mesh = mesh;
    this.build(mesh);
    this.light();
    this.renderer = new WebGLRenderer({ antialias: true, alpha: true });
    this.renderer.localClippingEnabled = true;
    this.canvas = this.renderer.domElement;
    this.canvas.setAttribute("role", "img");
    this.canvas.classList.add("pan");
    this.yaw = 0;
    this.tilt = 0;
    box.replaceChildren(this.canvas, ...this.tools(frame), legend(mesh));
    this.setLive(frame);
    this.show("cut");
    this.canvas.addEventListener("pointerdown", (e) => this.grab(e));
    this.resized = new ResizeObserver(() => this.fit());
    this.resized.observe(box);
    this.fit();
  }

  tools(frame) {
    const push = (yaw, tilt) => () => this.look(this.yaw + yaw, this.tilt + tilt);
    const tool = (label, act) => h("button", { type: "button", onclick: act }, label);
    this.words = h("p", { class: "figures", role: "status" }, "Tap the casting to read its wall.");
    this.ways = new Map(VIEWS.map(([name, label]) => [name, tool(label, () => this.show(name))]));
    this.follow = tool("As it is turned now", () => this.setLive(!this.live));
    this.follow.hidden = !frame;
    return [
      this.words,
      h("p", { class: "tools" }, [...this.ways.values()]),
      h("p", { class: "tools" }, this.follow, tool("Left", push(-0.35, 0)), tool("Right", push(0.35, 0)),
        tool("Up", push(0, -0.35)), tool("Down", push(0, 0.35))),
    ];
  }

  // Both faces of the wall, the cut, the edge of the opening and the thinnest place, about their
  // middle.
  build(mesh) {
    const outer = mesh.vertices_mm;
    const inner = innerFace(mesh);
    this.middle = [0, 1, 2].map((k) => {
      const along = outer.map((p) => p[k]);
      return (extreme(along, Math.min) + extreme(along, Math.max)) / 2;
    });
    this.radius_mm = outer.reduce((m, p) => Math.max(m, Math.hypot(...p.map((v, k) => v - this.middle[k]))), 0);
    this.clip = new Plane();
    const own = { vertexColors: true, side: DoubleSide, clippingPlanes: [this.clip] };
    this.skin = new MeshLambertMaterial(own);
    const triangles = (points) => mesh.faces.flatMap((f) => [f.map((v) => [...points[v], mesh.wall_mm[v]])]);
    this.outside = new Mesh(this.painted(triangles(outer)), this.skin);
    this.inside = new Mesh(this.painted(triangles(inner)), this.skin);
    this.cutPlane(outer);
    this.cap = new Mesh(this.painted(section(mesh, inner, this.normal, this.offset)),
      new MeshBasicMaterial({ vertexColors: true, side: DoubleSide }));
    this.cap.add(this.lines(edges(mesh, inner, this.normal, this.offset)));
    const rim = this.lines(mesh.rim.map((edge) => edge.map((v) => outer[v])));
    this.casting = new Group().add(this.outside, this.inside, this.cap, rim, this.thinnest(outer, inner));
    this.frame = new Group().add(this.casting);
    this.turned = new Group().add(this.frame);
  }

  // The upright plane through the middle and the thinnest place.
  cutPlane(outer) {
    const [x, y] = outer[this.mesh.thinnest_vertex].map((v, k) => v - this.middle[k]);
    const flat = Math.hypot(x, y);
    this.normal = flat > 0.05 * this.radius_mm ? [-y / flat, x / flat, 0] : [0, 1, 0];
    this.offset = this.normal.reduce((sum, n, k) => sum + n * this.middle[k], 0);
  }

  // Loose triangles, each corner [x, y, z, wall_mm], coloured by the wall.
  painted(triangles) {
    const shade = shadeOf(this.mesh.scale);
    const colour = new Color();
    const positions = new Float32Array(triangles.length * 9);
    const colours = new Float32Array(triangles.length * 9);
    triangles.flat().forEach(([x, y, z, wall], i) => {
      positions.set([x - this.middle[0], y - this.middle[1], z - this.middle[2]], i * 3);
      colour.set(shade(wall));
      colours.set([colour.r, colour.g, colour.b], i * 3);
    });
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(positions, 3));
    geometry.setAttribute("color", new BufferAttribute(colours, 3));
    geometry.userData.walls = triangles.map((t) => t.map((corner) => corner[3]));
    geometry.computeVertexNormals();
    return geometry;
  }

  // Pairs of points, in ink.
  lines(pairs) {
    const ends = pairs.flat().flatMap((p) => p.map((x, k) => x - this.middle[k]));
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(new Float32Array(ends), 3));
    return new LineSegments(geometry, new LineBasicMaterial({ color: ink("ink") }));
  }

  // A bead through the wall at its thinnest place, so that it shows from both sides.
  thinnest(outer, inner) {
    const at = outer[this.mesh.thinnest_vertex].map((v, k) => (v + inner[this.mesh.thinnest_vertex][k]) / 2 - this.middle[k]);
    const bead = new Mesh(new SphereGeometry(this.radius_mm * 0.035, 16, 12), new MeshBasicMaterial({ color: ink("pen") }));
    bead.position.set(...at);
    return bead;
  }

  light() {
    this.scene = new Scene();
    this.scene.add(this.turned, new AmbientLight(0xffffff, 2.2));
    const lamp = new DirectionalLight(0xffffff, 1.0);
    lamp.position.set(-2, -3, 4);
    this.scene.add(lamp);
    this.camera = new PerspectiveCamera(32, 1, this.radius_mm * 0.2, this.radius_mm * 20);
    this.camera.up.set(0, 0, 1);
    this.camera.position.set(0, -this.radius_mm * 4.3, this.radius_mm * 0.9);
    this.camera.lookAt(0, 0, 0);
  }

  show(view) {
    this.view = view;
    for (const [name, button] of this.ways) button.setAttribute("aria-pressed", String(name === view));
    const through = view === "through";
    this.cap.visible = view === "cut";
    this.skin.transparent = through;
    this.skin.opacity = through ? SEEN_THROUGH : 1;
    this.skin.depthWrite = !through;
    this.skin.clippingPlanes = view === "cut" ? [this.clip] : [];
    this.skin.needsUpdate = true;
    const { thinnest_mm: thin, scale } = this.mesh;
    const way = { whole: "whole", cut: "cut away through its thinnest place", through: "seen through" }[view];
    this.canvas.setAttribute("aria-label", `The casting, ${way}. Thinnest place ${length(thin)} of ${length(scale.wanted_mm)} wanted; light is thin, dark is thick.`);
    if (view === "cut" && !this.live) this.faceCut();
    this.draw();
  }

  // Turned so that the cut faces the viewer.
  faceCut() {
    this.look(-Math.PI / 2 - Math.atan2(this.normal[1], this.normal[0]) + 0.35, this.tilt);
  }

  setLive(live) {
    this.live = live;
    this.follow.setAttribute("aria-pressed", String(live));
    if (!live) this.frame.quaternion.identity();
    this.draw();
  }

  // World from mould: Rx(phi) Rz(psi).
  turn(frame) {
    if (!this.live) return;
    const angles = `${frame.major.angle_deg} ${frame.minor.angle_deg}`;
    if (angles === this.angles) return; // it stands still
    this.angles = angles;
    const [phi, psi] = [frame.major.angle_deg, frame.minor.angle_deg].map((a) => (a * Math.PI) / 180);
    const major = new Quaternion().setFromAxisAngle(new Vector3(1, 0, 0), phi);
    const minor = new Quaternion().setFromAxisAngle(new Vector3(0, 0, 1), psi);
    this.frame.quaternion.copy(major.multiply(minor));
    this.draw();
  }

  look(yaw, tilt) {
    this.yaw = yaw;
    this.tilt = Math.max(-1.4, Math.min(1.4, tilt));
    this.turned.rotation.set(this.tilt, 0, this.yaw);
    this.draw();
  }

  grab(event) {
    const from = [event.clientX, event.clientY, this.yaw, this.tilt];
    let moved = 0;
    this.canvas.setPointerCapture(event.pointerId);
    const move = (e) => {
      moved = Math.max(moved, Math.hypot(e.clientX - from[0], e.clientY - from[1]));
      if (moved > TAP_px) this.look(from[2] + (e.clientX - from[0]) / 120, from[3] + (e.clientY - from[1]) / 120);
    };
    this.canvas.addEventListener("pointermove", move);
    const end = (e) => {
      this.canvas.removeEventListener("pointermove", move);
      if (e.type === "pointerup" && moved <= TAP_px) this.read(e);
    };
    this.canvas.addEventListener("pointerup", end, { once: true });
    this.canvas.addEventListener("pointercancel", end, { once: true });
  }

  // The wall under a finger: the first face hit that is not cut away.
  read(event) {
    const box = this.canvas.getBoundingClientRect();
    const at = new Vector2(((event.clientX - box.left) / box.width) * 2 - 1, 1 - ((event.clientY - box.top) / box.height) * 2);
    const ray = new Raycaster();
    ray.setFromCamera(at, this.camera);
    const cut = this.view === "cut";
    this.turned.updateMatrixWorld(true);
    this.placeCut();
    const hit = ray.intersectObjects(cut ? [this.outside, this.inside, this.cap] : [this.outside, this.inside], false)
      .find((found) => !cut || found.object === this.cap || this.clip.distanceToPoint(found.point) >= 0);
    if (!hit) {
      say(this.words, "That is outside the casting. Tap on the casting to read its wall.");
      return;
    }
    const place = hit.object.geometry.getAttribute("position");
    const corners = [0, 1, 2].map((k) => new Vector3().fromBufferAttribute(place, hit.faceIndex * 3 + k).toArray());
    const local = hit.object.worldToLocal(hit.point.clone()).toArray();
    say(this.words, reading(between(local, corners, hit.object.geometry.userData.walls[hit.faceIndex]), this.mesh.scale));
  }

  placeCut() {
    this.clip.set(new Vector3(...this.normal).negate(), 0).applyMatrix4(this.casting.matrixWorld);
  }

  fit() {
    const width = this.canvas.parentElement?.clientWidth;
    if (!width) return;
    this.renderer.setPixelRatio(Math.min(2, devicePixelRatio));
    this.renderer.setSize(width, HEIGHT);
    this.camera.aspect = width / HEIGHT;
    // On a narrow screen the camera is farther away, so that nothing is cut off at the sides.
    this.camera.fov = 32 * Math.max(1, 1.05 / this.camera.aspect);
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    this.asked ??= requestAnimationFrame(() => {
      this.asked = null;
      this.turned.updateMatrixWorld(true);
      this.placeCut();
      this.renderer.render(this.scene, this.camera);
    });
  }

  close() {
    this.resized.disconnect();
    this.casting.traverse((part) => {
      part.geometry?.dispose();
      part.material?.dispose();
    });
    this.renderer.dispose();
    this.canvas.parentElement?.replaceChildren();
  }
}

const extreme = (values, pick) => values.reduce((a, b) => pick(a, b));
