// Shows the rods of a GLB file of this program, each turning about itself. three.js is loaded when first wanted.
const PLACE = "/static/three-0.185.1/three.module.min.js";
const STILL = matchMedia("(prefers-reduced-motion: reduce)");
const COLOURS = { rod: 0xdbd4c2, engraving: 0x0d0d0d };
let three = null;
let shown = null;

// Reads what exports/pictures/glb.py writes: one binary chunk, triangles with normals.
const read = (buffer) => {
  const length = new DataView(buffer).getUint32(12, true);
  const json = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 20, length)));
  const take = (number, Kind) => {
    const accessor = json.accessors[number], view = json.bufferViews[accessor.bufferView];
    const each = accessor.type === "VEC3" ? 3 : 1;
    return new Kind(buffer, 28 + length + (view.byteOffset ?? 0), accessor.count * each);
  };
  return json.nodes.map((node) => ({
    at: node.translation ?? [0, 0, 0],
    pieces: json.meshes[node.mesh].primitives.map((piece) => ({
      ink: json.materials[piece.material].name,
      position: take(piece.attributes.POSITION, Float32Array),
      normal: take(piece.attributes.NORMAL, Float32Array),
      index: take(piece.indices, Uint32Array),
    })),
  }));
};

const scene = (rods) => {
  const all = new three.Group();
  for (const rod of rods) {
    const body = new three.Group();
    for (const piece of rod.pieces) {
      const geometry = new three.BufferGeometry();
      geometry.setAttribute("position", new three.BufferAttribute(piece.position, 3));
      geometry.setAttribute("normal", new three.BufferAttribute(piece.normal, 3));
      geometry.setIndex(new three.BufferAttribute(piece.index, 1));
      body.add(new three.Mesh(geometry, new three.MeshStandardMaterial({ color: COLOURS[piece.ink], roughness: 0.6 })));
    }
    const middle = new three.Box3().setFromObject(body).getCenter(new three.Vector3());
    body.children.forEach((mesh) => { mesh.position.sub(middle); });
    body.position.fromArray(rod.at).add(middle);
    all.add(body);
  }
  const box = new three.Box3().setFromObject(all);
  all.position.sub(box.getCenter(new three.Vector3()));
  return { all, size: box.getSize(new three.Vector3()) };
};

class Picture {
  constructor(figure) {
    this.figure = figure;
    this.renderer = new three.WebGLRenderer({ antialias: true, alpha: true });
    this.renderer.setPixelRatio(Math.min(devicePixelRatio, 2));
    this.camera = new three.PerspectiveCamera(28, 1, 0.001, 10);
    this.scene = new three.Scene();
    const light = new three.DirectionalLight(0xffffff, 2.4);
    light.position.set(-0.6, 1.2, 1.4);
    this.scene.add(new three.AmbientLight(0xffffff, 1.1), light);
    this.turn = { x: 0.35, y: -0.25 };
    this.near = 1;
    this.held = null;
    figure.replaceChildren(this.renderer.domElement);
    figure.addEventListener("pointerdown", (event) => { this.held = event; figure.setPointerCapture(event.pointerId); });
    figure.addEventListener("pointerup", () => { this.held = null; this.rested = performance.now(); });
    figure.addEventListener("pointermove", (event) => this.drag(event));
    figure.addEventListener("wheel", (event) => { event.preventDefault(); this.nearer(event.deltaY < 0 ? 1.1 : 0.9); }, { passive: false });
    figure.addEventListener("keydown", (event) => this.key(event));
  }

  show(rods) {
    const { all, size } = scene(rods);
    this.bodies = all.children;
    this.size = size;
    this.scene.add(all);
    this.begun = performance.now();
    this.draw(this.begun);
  }

  by(x, y) { this.turn.x += x; this.turn.y += y; this.rested = performance.now(); }

  nearer(share) { this.near = Math.min(6, Math.max(0.6, this.near * share)); }

  drag(event) {
    if (!this.held) return;
    this.by((event.clientY - this.held.clientY) / 150, (event.clientX - this.held.clientX) / 150);
    this.held = event;
  }

  key(event) {
    const turns = { ArrowUp: [-0.1, 0], ArrowDown: [0.1, 0], ArrowLeft: [0, -0.1], ArrowRight: [0, 0.1] };
    if (event.key in turns) this.by(...turns[event.key]);
    else if (event.key === "+" || event.key === "-") this.nearer(event.key === "+" ? 1.1 : 0.9);
    else return;
    event.preventDefault();
  }

  draw(now) {
    if (!this.figure.isConnected) { this.end(); return; }
    const width = this.figure.clientWidth, height = this.figure.clientHeight;
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    const half = Math.tan((this.camera.fov / 2) * (Math.PI / 180));
    this.camera.position.z = (1.12 * Math.max(this.size.y / 2 / half, this.size.x / 2 / half / this.camera.aspect) + 0.01) / this.near;
    this.camera.updateProjectionMatrix();
    // They turn by themselves until somebody takes hold, and again after a rest.
    const still = STILL.matches || this.held || now - (this.rested ?? -1e9) < 4000;
    if (!still && this.last) this.turn.x += (now - this.last) / 3200;
    this.last = now;
    for (const body of this.bodies) body.rotation.set(this.turn.x, this.turn.y, 0);
    this.renderer.render(this.scene, this.camera);
    this.figure.dataset.drawn = "yes";
    requestAnimationFrame((at) => this.draw(at));
  }

  end() {
    this.scene.traverse((part) => { part.geometry?.dispose(); part.material?.dispose(); });
    this.renderer.dispose();
    this.renderer.forceContextLoss();
  }
}

const look = async () => {
  document.querySelectorAll(".with-script").forEach((button) => { button.hidden = false; });
  const figure = document.querySelector(".turning:not([data-begun])");
  if (!figure) return;
  figure.dataset.begun = "yes";
  try {
    three ??= await import(PLACE);
    const answer = await fetch(figure.dataset.glb);
    if (!answer.ok) throw new Error(`${answer.status}`);
    const rods = read(await answer.arrayBuffer());
    shown = new Picture(figure);
    shown.show(rods);
  } catch {
    const link = Object.assign(document.createElement("a"), { href: figure.dataset.glb, textContent: "Save the file" });
    figure.replaceChildren("This browser shows no solids here. ", link);
    figure.classList.add("none");
  }
};
document.addEventListener("htmx:afterSettle", look);
look();
