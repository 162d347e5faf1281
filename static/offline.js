// What was entered without a network: sent in order when there is one, shown until it is.
(() => {
  "use strict";
  if (!("serviceWorker" in navigator) || !("indexedDB" in window)) return;
  const { person, all, drop, put } = phone;
  if (person || navigator.serviceWorker.controller) navigator.serviceWorker.register("/service-worker.js").catch(() => { /* works without */ });

  const KINDS = [[/^\/check-in\/([^/]+)/, "Check-in of"], [/^\/instruments\/([^/]+)\/star-test/, "Star test of"], [/^\/instruments\/([^/]+)\/photos/, "Photo of"],
    [/^\/instruments\/([^/]+)\/logbook/, "Logbook entry of"], [/^\/collimations\/[^/]+\/look/, "Star check"], [/^\/collimations\/[^/]+\/go/, "Turns of the screws"], [/^\/collimations\//, "Step of a session"]];
  function nameOf(entry) {
    for (const [path, words] of KINDS) { const found = entry.path.match(path); if (found) return words + (found[1] ? " " + decodeURIComponent(found[1]) : ""); }
    return entry.path;
  }
  const time = (iso) => new Date(iso).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

  // One at a time, in the order in which they were entered. What the server refused stays, with
  // its words; what came after it in another place is not held up by it.
  async function sendAll() {
    await phone.ready;
    const csrf = document.querySelector("input[name=csrf]")?.value;
    if (!person || !csrf || !navigator.onLine) return show();
    return phone.turn(async (mine) => {
      let sent = 0;
      if (mine) for (const entry of await all()) {
        if (entry.person !== person || entry.refused) continue;
        const what = await sendOne(entry, csrf);
        if (what === "later") break;
        if (what === "sent") sent += 1;
      }
      return show(sent);
    }, { ifAvailable: true });
  }
  async function sendOne(entry, csrf) {
    let fields = entry.fields;
    if (phone.takesPieces && phone.inPieces(fields)) {
      const whole = phone.bytesOf(fields);
      await show();
      const line = document.querySelector('#unsent li[data-id="' + entry.id + '"]');
      try {
        fields = await phone.sendFiles(entry, csrf, (so) => { if (line) line.textContent = nameOf(entry) + ": " + Math.round(100 * so / whole) + " % sent"; });
      } catch (error) {
        if (!(error instanceof phone.Refused)) return "later";
      }
    }
    const hasFile = fields.some(([name, value]) => value instanceof Blob || name.startsWith("pieces:"));
    const body = hasFile ? new FormData() : new URLSearchParams();
    for (const [name, value] of fields) body.append(name, name === "csrf" ? csrf : value);
    let answer;
    try { answer = await fetch(entry.path, { method: "POST", body, redirect: "manual" }); } catch { return "later"; }
    if (answer.type === "opaqueredirect") { await drop(entry.id); return "sent"; }
    if (answer.status === 401 || answer.status === 429 || answer.status >= 500) return "later";
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const words = [...page.querySelectorAll("#errors li")].map((li) => li.textContent.trim()).join(" ") || page.querySelector("main p")?.textContent.trim() || "Refused.";
    await put({ ...entry, refused: words });
    return "refused";
  }

  async function show(sent = 0) {
    const mine = (await all()).filter((entry) => entry.person === person || !person);
    document.getElementById("unsent")?.remove();
    if (!mine.length && !sent) return;
    const box = document.createElement("section");
    box.id = "unsent";
    box.className = "note unsent";
    box.setAttribute("aria-label", "Kept on this phone");
    const say = (tag, words, parent = box) => { const e = document.createElement(tag); e.textContent = words; parent.append(e); return e; };
    if (sent) say("p", sent === 1 ? "1 entry kept on this phone was sent." : sent + " entries kept on this phone were sent.").setAttribute("role", "status");
    const waiting = mine.filter((entry) => !entry.refused);
    if (waiting.length) {
      say("p", waiting.length === 1 ? "1 entry waits on this phone for the network:" : waiting.length + " entries wait on this phone for the network:").className = "note-title";
      const list = say("ul", "");
      for (const entry of waiting) say("li", nameOf(entry) + ", " + time(entry.at), list).dataset.id = entry.id;
    }
    for (const entry of mine.filter((one) => one.refused)) {
      say("p", "Not taken: " + nameOf(entry) + ", " + time(entry.at)).className = "note-title";
      say("p", entry.refused);
      const what = entry.fields.filter(([name, value]) => !/^(csrf|once|at|stand|loan_version)$|asks_for$|magnification|diagonal|apparent_field/.test(name) && typeof value === "string" && value);
      if (what.length) say("p", "You entered: " + what.map(([name, value]) => name.replace(/^star_/, "").replaceAll("_", " ") + " " + value).join(", "));
      const again = say("a", "Open it again");
      again.className = "key key-plain";
      again.href = entry.path.replace(/^(\/collimations\/[^/]+)\/.*/, "$1").replace(/\/photos$/, "");
      const away = say("button", "Discard it");
      away.type = "button";
      away.className = "key key-quiet";
      away.addEventListener("click", async () => { await drop(entry.id); show(); });
    }
    document.querySelector("main")?.prepend(box);
  }

  // Signing out with something unsent would lose it: asked first.
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (new URL(form.action, location.href).pathname !== "/sign-out" || form.dataset.sure) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    all().then((kept) => {
      const mine = kept.filter((entry) => entry.person === person);
      if (mine.length && !confirm(mine.length + " of your entries on this phone are not sent. Sign out and lose them?")) return;
      Promise.all(mine.map((entry) => drop(entry.id))).then(() => { form.dataset.sure = "yes"; form.requestSubmit(); });
    }, () => { form.dataset.sure = "yes"; form.requestSubmit(); });
  }, true);

  // The display holds without a network too.
  document.getElementById("display")?.addEventListener("submit", (event) => {
    if (event.submitter) navigator.serviceWorker.controller?.postMessage({ display: event.submitter.value });
  });
  // The conditions on the shelf, kept one by one while nothing else is asked for.
  if (person && location.pathname === "/shelf" && navigator.onLine) {
    const links = [...new Set([...document.querySelectorAll('main a[href^="/instruments/"]')].map((a) => a.pathname))].filter((p) => p.split("/").length === 3);
    const next = async () => {
      const path = links.shift();
      if (!path || !navigator.serviceWorker.controller) return;
      const pages = await caches.open("pages");
      if (!(await pages.match(path))) try { await fetch(path); } catch { return; }
      setTimeout(next, 400);
    };
    setTimeout(next, 4000);
  }

  window.addEventListener("online", sendAll);
  sendAll();
  setInterval(() => { if (document.visibilityState === "visible") all().then((kept) => { if (kept.some((e) => !e.refused)) sendAll(); }); }, 15000);
})();
