// Draws the readings along the bite scale into their fields. What they mean is worked out by the server.
"use strict";
(() => {
  const form = document.getElementById("prescription");
  let moved = null;
  let ahead = false;  // of what the server was asked last
  document.querySelectorAll(".work-out").forEach((button) => { button.hidden = true; });

  const put = (handle, value) => {
    const low = Number(handle.getAttribute("aria-valuemin")), high = Number(handle.getAttribute("aria-valuemax"));
    const svg = handle.ownerSVGElement;
    const text = (Math.round(Math.min(high, Math.max(low, value)) * 10) / 10).toFixed(1);
    handle.setAttribute("aria-valuenow", text);
    handle.setAttribute("aria-valuetext", `${text} mm`);
    handle.setAttribute("transform", `translate(${Number(svg.dataset.origin) + Number(text) * Number(svg.dataset.perMm)} 0)`);
    handle.classList.remove("absent");
    handle.querySelector(".reading").textContent = text.replace("-", "−");
    ahead = true;
    const field = document.getElementById(handle.dataset.field);
    field.value = text.replace(".", form.dataset.decimal);
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };

  const reading = (svg, event) => {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    return (at.x - Number(svg.dataset.origin)) / Number(svg.dataset.perMm);
  };

  document.addEventListener("pointerdown", (event) => {
    const handle = event.target.closest?.(".handle");
    if (!handle || event.button) return;
    event.preventDefault();
    handle.focus();
    handle.setPointerCapture(event.pointerId);
    handle.classList.add("moved");
    moved = { handle, off: reading(handle.ownerSVGElement, event) - Number(handle.getAttribute("aria-valuenow")) };
  });
  document.addEventListener("pointermove", (event) => {
    if (moved) put(moved.handle, reading(moved.handle.ownerSVGElement, event) - moved.off);
  });
  const ended = () => {
    if (!moved) return;
    moved.handle.classList.remove("moved");
    const field = document.getElementById(moved.handle.dataset.field);
    moved = null;
    field.dispatchEvent(new Event("input", { bubbles: true }));
  };
  document.addEventListener("pointerup", ended);
  document.addEventListener("pointercancel", ended);

  const BY = { ArrowLeft: -0.1, ArrowDown: -0.1, ArrowRight: 0.1, ArrowUp: 0.1, PageDown: -1, PageUp: 1 };
  document.addEventListener("keydown", (event) => {
    const handle = event.target.closest?.(".handle");
    if (!handle || !(event.key in BY)) return;
    event.preventDefault();
    put(handle, Number(handle.getAttribute("aria-valuenow")) + BY[event.key] * (event.shiftKey ? 10 : 1));
  });

  // Nothing is recorded, and no page left, by the Enter key within a field.
  form.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.matches("input")) event.preventDefault();
  });

  // The scale is not replaced under the hand that draws on it, nor by an answer that is behind.
  document.addEventListener("htmx:beforeRequest", () => { ahead = false; });
  document.addEventListener("htmx:oobBeforeSwap", (event) => {
    if ((moved || ahead) && event.detail.target.id === "bite-scale") event.detail.shouldSwap = false;
  });
  document.addEventListener("htmx:afterSettle", () => {
    const wrong = new Set([...document.querySelectorAll("#worked-out [data-field]")].map((item) => item.dataset.field));
    form.querySelectorAll("input, select").forEach((field) => {
      field.toggleAttribute("aria-invalid", false);
      if (wrong.has(field.id)) field.setAttribute("aria-invalid", "true");
      field.closest(".field")?.classList.toggle("wrong", wrong.has(field.id));
    });
  });
})();
