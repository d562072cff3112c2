// The page of readings: Enter goes on, a scanned bag leads to its rod, what is typed is kept.
"use strict";

const entry = document.getElementById("entry");
const scan = document.getElementById("scan");
const told = document.getElementById("scan-told");
// What one operator typed is nobody else's, whoever signs in next in this window.
const own = `labkit measure ${JSON.stringify(entry.dataset.by)} `;
const draft = own + entry.dataset.set;
for (const name of Object.keys(sessionStorage)) {
  if (name.startsWith("labkit ") && !name.startsWith(own)) sessionStorage.removeItem(name);
}

function digitsOf(text) {
  const digits = text.replace(/[\s-]/g, "");
  return /^\d{10,14}$/.test(digits) ? digits : "";
}

function readingsOf(line) {
  return [...line.querySelectorAll(".readings input")];
}

function addReading(after) {
  const group = after.closest(".readings");
  const fields = [...group.querySelectorAll("input")];
  if (fields.length >= Number(entry.dataset.most)) return after;
  const field = after.cloneNode();
  field.value = "";
  field.setAttribute("aria-label", after.getAttribute("aria-label").replace(/\d+/, fields.length + 1));
  group.append(field);
  return field;
}

function goTo(digits) {
  const line = document.getElementById(`rod-${digits}`);
  const first = line && line.querySelector("[name$=' label_read']");
  if (!first) return false;
  const closed = line.querySelector("details:not(.more)");
  if (closed) closed.open = true;
  line.scrollIntoView({ block: "center" });
  (first.value ? readingsOf(line).find((field) => !field.value) || first : first).focus();
  told.textContent = "";
  return true;
}

async function lookUp(text) {
  const { find, of } = scan.dataset;
  const asked = new URLSearchParams({ identifier: text, case: scan.dataset.case, of });
  const answer = await fetch(`${find}?${asked}`);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const words = answer.ok ? page.body : page.querySelector("[role=alert]") || page.body;
  told.replaceChildren(...words.childNodes);
}

function scanned(text) {
  if (!goTo(digitsOf(text))) lookUp(text);
}

function next(field) {
  const fields = [...entry.querySelectorAll("input, select, summary, button.main")].filter(
    (each) => each.type !== "hidden" && each.offsetParent && !each.closest(".decision"));
  return fields[fields.indexOf(field) + 1];
}

scan.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || !scan.value.trim()) return;
  event.preventDefault();
  scanned(scan.value);
  scan.value = "";
});

entry.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !field.matches("input") || field.type === "submit") return;
  event.preventDefault();
  const digits = field.type === "text" ? digitsOf(field.value) : "";
  if (digits) {
    // A bag was scanned while another field had the focus.
    field.value = "";
    keep();
    scanned(digits);
    return;
  }
  const group = field.closest(".readings");
  if (group && field.value && field === group.lastElementChild) {
    addReading(field).focus();
  } else if (group && !field.value) {
    next(group.lastElementChild).focus();
  } else {
    next(field).focus();
  }
});

// Of words that exclude each other the last one ticked stays.
entry.addEventListener("change", (event) => {
  const box = event.target;
  if (box.type !== "checkbox" || !box.checked || !box.closest(".ticks")) return;
  const alone = "alone" in box.dataset;
  for (const other of box.closest(".ticks").querySelectorAll("input")) {
    if (other !== box && (alone || "alone" in other.dataset)) other.checked = false;
  }
}, true);

// What is typed outlives a page that is left, a sign-in that has run out, a browser that stops.
const KEPT = (name) => name !== "token" && name !== "set" && name !== "rod";
function keep() {
  const typed = [...new FormData(entry)].filter(([name, value]) => KEPT(name) && value);
  sessionStorage.setItem(draft, JSON.stringify(typed));
}
entry.addEventListener("input", keep);

function fillIn(typed) {
  const times = {};
  for (const [name, value] of typed) {
    const at = (times[name] = (times[name] ?? -1) + 1);
    let fields = [...entry.elements].filter((field) => field.name === name);
    if (!fields.length) continue;
    if (fields[0].type === "checkbox") {
      for (const box of fields) box.checked ||= box.value === value;
      continue;
    }
    if (at >= fields.length) fields = [...fields, addReading(fields.at(-1))];
    fields[at].value = value;
    const closed = fields[at].closest("details");
    if (closed) closed.open = true;
  }
}

if (document.getElementById("recorded")) {
  sessionStorage.removeItem(draft);
  // What is typed from now on is kept when the page is loaded again.
  const here = new URL(location.href);
  here.searchParams.delete("recorded");
  history.replaceState(history.state, "", here);
}
const kept = sessionStorage.getItem(draft);
if (kept && !document.getElementById("refused")) {
  fillIn(JSON.parse(kept));
  window.addEventListener("load", () => entry.dispatchEvent(new Event("change", { bubbles: true })));
}
window.addEventListener("load", () => goTo(location.hash.replace("#rod-", "")));

// The computer's camera, where the browser reads codes by itself.
const camera = document.getElementById("camera");
const picture = document.getElementById("picture");
let seeing = null;

function stopSeeing() {
  for (const track of picture.srcObject?.getTracks() ?? []) track.stop();
  picture.srcObject = null;
  picture.hidden = true;
  camera.textContent = "Use the camera";
  clearInterval(seeing);
  seeing = null;
}

async function see() {
  if (seeing) return stopSeeing();
  try {
    picture.srcObject = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch {
    told.textContent = "The browser gives no picture of a camera; type the identifier.";
    return undefined;
  }
  picture.hidden = false;
  camera.textContent = "Stop the camera";
  picture.play().catch(() => {});
  const detector = new BarcodeDetector({ formats: ["qr_code"] });
  seeing = setInterval(async () => {
    const [code] = await detector.detect(picture).catch(() => []);
    if (!code || !seeing) return;
    stopSeeing();
    scanned(code.rawValue);
  }, 200);
  return undefined;
}

if ("BarcodeDetector" in window && navigator.mediaDevices) {
  camera.hidden = false;
  camera.addEventListener("click", see);
}
