// Draws a name under the loan sheet; without it the sheet is signed on paper.
(() => {
  "use strict";
  const form = document.querySelector("form[data-sign]");
  const field = form?.querySelector("canvas");
  const pen = field?.getContext("2d");
  if (!pen) return;
  const strokes = form.elements.strokes;
  const keep = form.querySelector("button[type=submit]");
  let from = null;
  const clear = () => {
    strokes.value = "";
    from = null;
    pen.clearRect(0, 0, field.width, field.height);
    keep.disabled = true;
  };
  const place = (event) => {
    const box = field.getBoundingClientRect();
    const within = (value, size) => Math.round(Math.min(Math.max(value, 0), 1) * size);
    return [
      within((event.clientX - box.left) / box.width, field.width),
      within((event.clientY - box.top) / box.height, field.height),
    ];
  };
  const begin = (event) => {
    event.preventDefault();
    field.setPointerCapture(event.pointerId);
    from = place(event);
    strokes.value += "M" + from.join(" ");
  };
  const draw = (event) => {
    if (!from) return;
    for (const one of event.getCoalescedEvents?.() ?? [event]) {
      const to = place(one);
      // Finer than a finger, and a long name stays short enough to keep.
      if (Math.hypot(to[0] - from[0], to[1] - from[1]) < 4) continue;
      pen.strokeStyle = getComputedStyle(field).color;
      pen.lineWidth = 4;
      pen.lineCap = "round";
      pen.beginPath();
      pen.moveTo(...from);
      pen.lineTo(...to);
      pen.stroke();
      strokes.value += "L" + to.join(" ");
      from = to;
      keep.disabled = false;
    }
  };
  field.addEventListener("pointerdown", begin);
  field.addEventListener("pointermove", draw);
  for (const end of ["pointerup", "pointercancel"]) field.addEventListener(end, () => { from = null; });
  form.querySelector("[data-sign-clear]").addEventListener("click", clear);
  // What a browser filled in from before was not drawn here.
  clear();
  form.hidden = false;
})();
