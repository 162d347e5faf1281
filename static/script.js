// Adds to pages that work without it: keeps typed values, guards double posts, finds tags, follows jobs.
(() => {
  "use strict";
  const all = (sel, root = document) => Array.from(root.querySelectorAll(sel));

  // Typed values, one store per page and form, kept until the server has taken them. A form whose
  // answer shows another page has been taken; one that comes back with errors holds its own values.
  const SECRET = new Set(["password", "file", "hidden", "submit", "button"]);
  // A password is one also while it is shown.
  const PASSWORD = "input[autocomplete$=-password]";
  const store = {
    get(key) { try { return JSON.parse(sessionStorage.getItem(key) || "null"); } catch { return null; } },
    set(key, value) { try { sessionStorage.setItem(key, JSON.stringify(value)); } catch { /* full or forbidden */ } },
    drop(key) { try { sessionStorage.removeItem(key); } catch { /* forbidden */ } },
  };
  // Where a form leads, and at which step of a collimation: what was typed for one step is not for the next.
  const placeOf = (form) => new URL(form.action, location.href).pathname + "@" + (form.elements.namedItem("at")?.value ?? "");
  const keyOf = (form) => "kept:" + location.pathname + ":" + placeOf(form);
  // A form that came back with errors was kept under the page it was first sent from as well.
  const dropAll = (key) => {
    const place = key.slice(key.lastIndexOf(":"));
    try {
      for (const k of Object.keys(sessionStorage)) if (k.startsWith("kept:") && k.endsWith(place)) sessionStorage.removeItem(k);
    } catch { /* forbidden */ }
  };
  const fieldsOf = (form) => Array.from(form.elements).filter((f) => f.name && !SECRET.has(f.type));
  const isTick = (field) => field.type === "checkbox" || field.type === "radio";

  function snapshot(form) {
    return fieldsOf(form).map((f) => [f.name, f.type, f.value, isTick(f) ? f.checked : null]);
  }
  function putBack(form, kept) {
    const fields = fieldsOf(form);
    const before = JSON.stringify(snapshot(form));
    const taken = new Set();
    for (const [name, type, value, checked] of kept) {
      const field = fields.find((f) => !taken.has(f) && f.name === name && f.type === type && (!isTick(f) || f.value === value));
      if (!field) continue;
      taken.add(field);
      if (isTick(field)) field.checked = checked; else field.value = value;
    }
    return JSON.stringify(snapshot(form)) !== before;
  }
  function tellKept(form) {
    const words = document.createElement("p");
    words.className = "notice";
    words.setAttribute("role", "status");
    words.textContent = "What you typed here before is back. It is not saved yet. ";
    const away = document.createElement("button");
    away.type = "button";
    away.className = "key key-quiet";
    away.textContent = "Start afresh";
    away.addEventListener("click", () => { store.drop(keyOf(form)); location.reload(); });
    words.append(away);
    form.prepend(words);
  }
  const keeps = (form) => form.method === "post" && !form.hasAttribute("data-forget")
    && fieldsOf(form).length > 0 && !form.querySelector(PASSWORD);

  // What became of the form posted from the last page. A page that asks to sign in, shows errors or
  // refuses (data-refused) means it was not taken; so does coming back to the form after one of those.
  const sent = store.get("sent");
  if (sent && document.querySelector("#errors, [data-refused], " + PASSWORD)) {
    store.set("sent", { ...sent, bounced: true });
  } else if (sent) {
    const taken = sent.from !== location.pathname || document.querySelector(".notice[role=status]");
    if (taken && !sent.bounced) dropAll(sent.key);
    store.drop("sent");
  }

  for (const form of all("form")) {
    if (keeps(form)) {
      const key = keyOf(form);
      const kept = store.get(key);
      if (kept && !document.getElementById("errors") && putBack(form, kept)) tellKept(form);
      const save = () => store.set(key, snapshot(form));
      form.addEventListener("input", save);
      form.addEventListener("change", save);
    }
    form.addEventListener("submit", (event) => {
      if (form.method !== "post" || form.id === "display") return;
      // Whoever signs out on a shared phone leaves nothing behind.
      if (new URL(form.action, location.href).pathname === "/sign-out") try { sessionStorage.clear(); } catch { /* forbidden */ }
      if (form.dataset.sent) { event.preventDefault(); return; }
      form.dataset.sent = "yes";
      if (keeps(form)) { store.set(keyOf(form), snapshot(form)); store.set("sent", { key: keyOf(form), from: location.pathname }); }
      // After the browser has gathered the values, else the pressed key's own value is lost. Freed
      // again in case no answer ever came; the server takes a form's "once" only once.
      setTimeout(() => lock(form, true), 0);
      setTimeout(() => lock(form, false), 20000);
    });
  }
  function lock(form, on) {
    for (const key of Array.from(form.elements)) if (key.type === "submit") key.disabled = on;
    if (!on) delete form.dataset.sent;
  }
  // Back to a page from the browser's memory: let it post again.
  window.addEventListener("pageshow", (event) => {
    if (event.persisted) for (const form of all("form[data-sent]")) lock(form, false);
  });

  // The display changes under the page, so that what is half filled in stays as it is.
  const display = document.getElementById("display");
  if (display) display.addEventListener("submit", async (event) => {
    const key = event.submitter;
    if (!key) return;
    event.preventDefault();
    const fields = new URLSearchParams(new FormData(display));
    fields.set("value", key.value);
    document.documentElement.dataset.display = key.value;
    for (const other of all("button[name=value]", display)) other.setAttribute("aria-pressed", String(other.value === key.value));
    await tellDisplay(fields);
  });
  // Without a network the choice waits on this phone and is told at the next page that has one.
  async function tellDisplay(fields) {
    try {
      await fetch(display.action, { method: "POST", body: fields, redirect: "manual" });
      localStorage.removeItem("display");
    } catch { try { localStorage.setItem("display", fields.get("value")); } catch { /* forbidden */ } }
  }
  let untold = null;
  try { untold = localStorage.getItem("display"); } catch { /* forbidden */ }
  if (display && untold) {
    document.documentElement.dataset.display = untold;
    const fields = new URLSearchParams(new FormData(display));
    fields.set("value", untold);
    tellDisplay(fields);
  }

  const errors = document.getElementById("errors");
  if (errors) errors.focus();

  // Photos are made small before they are sent: 1600 pixels at most, a JPEG of what is seen and
  // nothing else. What the browser cannot read goes as it is; the server makes it small then.
  const LONGEST = 1600;
  async function small(file) {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const share = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.round(picture.width * share);
    canvas.height = Math.round(picture.height * share);
    const brush = canvas.getContext("2d");
    brush.fillStyle = "#fff";
    brush.fillRect(0, 0, canvas.width, canvas.height);
    brush.drawImage(picture, 0, 0, canvas.width, canvas.height);
    picture.close();
    const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
    return blob ? new File([blob], file.name.replace(/\.[^.]*$/, "") + ".jpg", { type: "image/jpeg" }) : file;
  }
  const size = (bytes) => (bytes / 1024 / 1024).toFixed(1) + " MB";
  for (const box of all("input[type=file][name=photo]")) {
    const form = box.form;
    // Without a file there is nothing to send in parts; a plain form is kept while one signs in.
    const asks = form.enctype;
    const parts = () => { form.enctype = all("input[type=file]", form).some((b) => b.files.length) || form.querySelector("input[name^='pieces:']") || form.action.endsWith("/photos") ? asks : "application/x-www-form-urlencoded"; };
    parts();
    const words = document.createElement("p");
    words.className = "hint";
    words.setAttribute("role", "status");
    box.after(words);
    box.addEventListener("change", async () => {
      parts();
      const files = Array.from(box.files);
      if (!files.length) { words.textContent = ""; return; }
      const keys = Array.from(form.elements).filter((e) => e.type === "submit");
      for (const key of keys) key.disabled = true;
      words.textContent = "Making it small\u2026";
      const before = files.reduce((sum, f) => sum + f.size, 0);
      const made = new DataTransfer();
      for (const file of files) {
        try { made.items.add(await small(file)); } catch { made.items.add(file); }
      }
      box.files = made.files;
      const after = Array.from(box.files).reduce((sum, f) => sum + f.size, 0);
      words.textContent = "Sent as " + size(after) + " (" + size(before) + " before).";
      for (const key of keys) key.disabled = false;
    });
  }

  // Type part of a tag, see the instruments that match.
  for (const box of all("input[data-finder]")) {
    const form = box.form;
    const list = form && form.querySelector(".finder-list");
    if (!list) continue;
    let asked = 0;
    let timer = 0;
    const show = (found) => {
      list.replaceChildren();
      for (const one of found.slice(0, 8)) {
        const link = document.createElement("a");
        // The form's own page takes the whole tag; without one, the instrument's page.
        const to = new URL(form.action, location.href);
        to.searchParams.set(box.name, one.tag);
        link.href = one.href || to.pathname + to.search;
        const tag = document.createElement("span");
        tag.className = "tag";
        tag.textContent = one.tag;
        link.append(tag, " " + (one.words || ""));
        const item = document.createElement("li");
        item.append(link);
        list.append(item);
      }
      if (!found.length) {
        const none = document.createElement("li");
        none.className = "finder-none";
        none.textContent = "No instrument has that in its tag.";
        list.append(none);
      }
      list.hidden = false;
    };
    box.addEventListener("input", () => {
      clearTimeout(timer);
      const q = box.value.trim();
      const mine = ++asked;
      if (!q) { list.hidden = true; return; }
      timer = setTimeout(async () => {
        try {
          const answer = await fetch(box.dataset.finder + "?q=" + encodeURIComponent(q), { headers: { Accept: "application/json" } });
          if (!answer.ok) return;
          const found = await answer.json();
          if (mine === asked) show(Array.isArray(found) ? found : []);
        } catch { /* the key still works */ }
      }, 150);
    });
    box.addEventListener("keydown", (event) => { if (event.key === "Escape") list.hidden = true; });
  }

  // Shows what a password box holds, until it is sent.
  for (const key of all("[data-show]")) {
    const box = document.getElementById(key.dataset.show);
    const show = (on) => {
      box.type = on ? "text" : "password";
      key.textContent = on ? "Hide" : "Show";
      key.setAttribute("aria-label", key.getAttribute("aria-label").replace(/^\w+/, key.textContent));
    };
    box.spellcheck = false;
    box.autocapitalize = "off";
    key.hidden = false;
    key.addEventListener("click", () => { show(box.type === "password"); box.focus(); });
    box.form?.addEventListener("submit", () => show(false));
  }

  // A job at work: fetch its piece of page until it says it is done.
  function follow(job, wait) {
    setTimeout(async () => {
      let next = Math.min(wait * 1.3, 5000);
      try {
        const answer = await fetch(job.dataset.poll, { headers: { "X-Fragment": "job" } });
        if (answer.ok && !answer.redirected) {
          const piece = document.createElement("template");
          piece.innerHTML = await answer.text();
          const done = piece.content.querySelector("[data-done]");
          job.replaceChildren(piece.content);
          if (done) {
            if (done.dataset.done) location.assign(done.dataset.done);
            return;
          }
          next = 1000;
        } else if (answer.status === 404 || answer.status === 403 || answer.redirected) { location.reload(); return; }
      } catch { /* out of reach for now: ask again, more slowly */ }
      follow(job, next);
    }, wait);
  }
  for (const job of all("[data-poll]")) follow(job, 700);

  for (const key of all("button[data-copy]")) {
    if (!navigator.clipboard) continue;
    key.hidden = false;
    key.addEventListener("click", async () => {
      try { await navigator.clipboard.writeText(key.dataset.copy); key.textContent = "Copied"; } catch { key.textContent = "Select and copy it by hand"; }
    });
  }
  // The screen stays awake while a session is worked at.
  if (document.body.hasAttribute("data-awake") && "wakeLock" in navigator) {
    const stayAwake = async () => {
      if (document.visibilityState !== "visible") return;
      try { await navigator.wakeLock.request("screen"); } catch { /* the battery is low, or it may not */ }
    };
    document.addEventListener("visibilitychange", stayAwake);
    stayAwake();
  }
  // Read aloud by the browser's own voice.
  for (const key of all("button[data-speak]")) {
    if (!("speechSynthesis" in window)) continue;
    key.hidden = false;
    key.addEventListener("click", () => {
      const words = new SpeechSynthesisUtterance(key.dataset.speak);
      words.lang = document.documentElement.lang;
      speechSynthesis.cancel();
      speechSynthesis.speak(words);
    });
  }
  for (const key of all("button[data-print]")) {
    key.hidden = false;
    key.addEventListener("click", () => window.print());
  }

  // Searching has a key of its own: it leads to the box, or to the page that has it.
  document.addEventListener("keydown", (event) => {
    if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
    if (event.target instanceof Element && event.target.closest("input, textarea, select, [contenteditable]")) return;
    const link = document.querySelector("a[data-search]");
    if (!link) return;
    event.preventDefault();
    if (location.pathname === new URL(link.href).pathname) document.getElementById("f-q")?.select();
    else location.assign(link.href);
  });
  // There is nothing else to do on that page: the box is ready to type in.
  if (location.pathname === "/search" && !location.search) document.getElementById("f-q")?.focus();
})();
