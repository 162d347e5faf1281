// Narrows a list of people as a name is typed; where the page holds only some of them, the
// server is asked, as the Find key does without this.
(() => {
  "use strict";
  for (const box of document.querySelectorAll("input[data-narrows]")) {
    const list = document.getElementById(box.dataset.narrows);
    const told = box.closest(".field").querySelector("[data-narrowed]");
    if (!list) continue;
    const asks = "asks" in box.dataset;
    const parents = () => [list, ...list.querySelectorAll("optgroup")].map((parent) => [parent, Array.from(parent.children)]);
    const all = parents();
    let last = 0;
    const say = (words) => {
      told.hidden = !words;
      told.textContent = words;
    };
    const tell = (found) => {
      if (box.value.trim() && found.length === 1) list.value = found[0].value;
      const words = ["Nobody of that name.", "One found and chosen below."][found.length] ?? found.length + " found; choose below.";
      say(box.value.trim() ? words : "");
    };
    const fits = (one) => one.value && one.textContent.toLowerCase().includes(box.value.trim().toLowerCase());
    const narrow = () => {
      const kept = list.value;
      const found = [];
      for (const [parent, children] of all) {
        found.push(...children.filter((one) => one.tagName === "OPTION" && fits(one)));
        parent.replaceChildren(...children.filter((one) => one.tagName !== "OPTION" || !one.value || one.value === kept || fits(one)));
        parent.hidden = parent !== list && parent.childElementCount === 0;
      }
      list.value = kept;
      tell(found);
    };
    const ask = async () => {
      const turn = ++last;
      const query = new URLSearchParams(new FormData(box.form));
      try {
        const answer = await fetch(box.form.getAttribute("action") + "?" + query);
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const fresh = page.getElementById(list.id);
        if (turn !== last) return;
        if (!answer.ok || !fresh) throw new Error("no list");
        const kept = list.selectedOptions[0];
        list.replaceChildren(...fresh.children);
        const options = Array.from(list.options).filter((one) => one.value);
        if (kept?.value && !options.some((one) => one.value === kept.value)) list.append(kept);
        list.value = kept?.value ?? "";
        // Who waits, and who is chosen already, are listed whatever is looked for.
        tell(options.filter((one) => fits(one) || !(one.closest("[data-always]") || one.value === kept?.value)));
      } catch {
        if (turn === last) say("The tool cannot be reached just now. Try again.");
      }
    };
    let soon = 0;
    const look = asks ? () => { clearTimeout(soon); soon = setTimeout(ask, 250); } : narrow;
    box.addEventListener("input", look);
    // The list is narrowed here already: no need to leave the page and lose what was typed.
    box.form.addEventListener("submit", async (event) => {
      event.preventDefault();
      clearTimeout(soon);
      await (asks ? ask() : narrow());
      list.focus();
    });
  }
})();
