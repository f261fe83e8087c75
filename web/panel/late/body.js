// The casting turned round: coloured by predicted wall, hung as it hangs on the frame now.

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, Group, Mesh,
  MeshLambertMaterial, PerspectiveCamera, Quaternion, Scene, Vector3, WebGLRenderer,
} from "../vendor/three/three.module.js";
import { h } from "../dom.js";
import { length } from "../units.js";
import { legend, shadeOf } from "./shade.js";

const HEIGHT = 340;

export class Body {
  constructor(box, mesh) {
    const { positions, colours, low_mm, high_mm, radius_mm } = prepare(mesh);
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(positions, 3));
    geometry.setAttribute("color", new BufferAttribute(colours, 3));
    geometry.computeVertexNormals();
    this.casting = new Mesh(geometry, new MeshLambertMaterial({ vertexColors: true, side: DoubleSide }));
    this.frame = new Group().add(this.casting);
    this.turned = new Group().add(this.frame);

    this.scene = new Scene();
    this.scene.add(this.turned, new AmbientLight(0xffffff, 2.2));
    const lamp = new DirectionalLight(0xffffff, 1.0);
    lamp.position.set(-2, -3, 4);
    this.scene.add(lamp);
    this.camera = new PerspectiveCamera(32, 1, radius_mm * 0.2, radius_mm * 20);
    this.camera.up.set(0, 0, 1);
    this.camera.position.set(0, -radius_mm * 4.3, radius_mm * 0.9);
    this.camera.lookAt(0, 0, 0);

    this.renderer = new WebGLRenderer({ antialias: true, alpha: true });
    this.canvas = this.renderer.domElement;
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", `The casting, coloured by predicted wall from ${length(low_mm)} (light) to ${length(high_mm)} (dark).`);
    this.canvas.classList.add("pan");
    this.live = true;
    this.yaw = 0;
    this.tilt = 0;
    const push = (yaw, tilt) => () => this.look(this.yaw + yaw, this.tilt + tilt);
    const tool = (label, act) => h("button", { type: "button", onclick: act }, label);
    this.follow = tool("As it hangs now", () => this.setLive(!this.live));
    box.replaceChildren(this.canvas, legend(low_mm, high_mm, mesh.note), h("p", { class: "tools" },
      this.follow, tool("Left", push(-0.35, 0)), tool("Right", push(0.35, 0)),
      tool("Up", push(0, -0.35)), tool("Down", push(0, 0.35))));
    this.setLive(true);
    this.canvas.addEventListener("pointerdown", (e) => this.grab(e));
    this.resized = new ResizeObserver(() => this.fit());
    this.resized.observe(box);
    this.fit();
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
    this.canvas.setPointerCapture(event.pointerId);
    const move = (e) => this.look(from[2] + (e.clientX - from[0]) / 120, from[3] + (e.clientY - from[1]) / 120);
    this.canvas.addEventListener("pointermove", move);
    for (const end of ["pointerup", "pointercancel"]) {
      this.canvas.addEventListener(end, () => this.canvas.removeEventListener("pointermove", move), { once: true });
    }
  }

  fit() {
    const width = this.canvas.parentElement?.clientWidth;
    if (!width) return;
    this.renderer.setPixelRatio(Math.min(2, devicePixelRatio));
    this.renderer.setSize(width, HEIGHT);
    this.camera.aspect = width / HEIGHT;
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    this.asked ??= requestAnimationFrame(() => {
      this.asked = null;
      this.renderer.render(this.scene, this.camera);
    });
  }

  close() {
    this.resized.disconnect();
    this.casting.geometry.dispose();
    this.casting.material.dispose();
    this.renderer.dispose();
    this.canvas.parentElement?.replaceChildren();
  }
}

// Faces become loose triangles so that a face may carry its own wall. Centred on the middle.
function prepare(mesh) {
  const { vertices_mm: points, faces, wall_mm: wall } = mesh;
  const middle = [0, 1, 2].map((k) => {
    const along = points.map((p) => p[k]);
    return (extreme(along, Math.min) + extreme(along, Math.max)) / 2;
  });
  const low_mm = extreme(wall, Math.min);
  const high_mm = extreme(wall, Math.max);
  const perVertex = wall.length === points.length;
  const shade = shadeOf(low_mm, high_mm);
  const colour = new Color();
  const positions = new Float32Array(faces.length * 9);
  const colours = new Float32Array(faces.length * 9);
  let radius_mm = 0;
  faces.forEach((face, f) => face.forEach((v, i) => {
    const at = f * 9 + i * 3;
    const p = points[v].map((value, k) => value - middle[k]);
    radius_mm = Math.max(radius_mm, Math.hypot(...p));
    positions.set(p, at);
    colour.set(shade(wall[perVertex ? v : f]));
    colours.set([colour.r, colour.g, colour.b], at);
  }));
  return { positions, colours, low_mm, high_mm, radius_mm };
}

const extreme = (values, pick) => values.reduce((a, b) => pick(a, b));
