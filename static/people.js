// Narrows a list of people as a name is typed; without it the Find key does the same.
(() => {
  "use strict";
  for (const box of document.querySelectorAll("input[data-narrows]")) {
    const list = document.getElementById(box.dataset.narrows);
    const told = box.closest(".field").querySelector("[data-narrowed]");
    if (!list) continue;
    const groups = Array.from(list.querySelectorAll("optgroup"), (group) => [group, Array.from(group.children)]);
    const narrow = () => {
      const wanted = box.value.trim().toLowerCase();
      const kept = list.value;
      let found = 0;
      for (const [group, options] of groups) {
        const fit = options.filter((o) => o.value === kept || o.textContent.toLowerCase().includes(wanted));
        found += options.filter((o) => o.textContent.toLowerCase().includes(wanted)).length;
        group.replaceChildren(...fit);
        group.hidden = fit.length === 0;
      }
      list.value = kept;
      if (wanted && found === 1) {
        const only = groups.flatMap(([, options]) => options).find((o) => o.textContent.toLowerCase().includes(wanted));
        list.value = only.value;
      }
      if (told) {
        told.hidden = !wanted;
        told.textContent = found === 0 ? "Nobody of that name." : found === 1 ? "One found and chosen below." : found + " found; choose below.";
      }
    };
    box.addEventListener("input", narrow);
    // The list is narrowed here already: no need to leave the page and lose what was typed.
    box.form.addEventListener("submit", (event) => { event.preventDefault(); narrow(); list.focus(); });
  }
})();
