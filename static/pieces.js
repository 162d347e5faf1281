// Files of a form go up in pieces, each kept by the server as it comes: a network that goes away
// costs one piece, and a tab that is killed is gone on with at the next page (offline.js). Then the
// form itself is sent, with the marks of its files in their place. Without scripts, or where the
// server takes no pieces, the form goes as it is. src/web/pieces.rs holds the other end.
const phone = (() => {
  "use strict";
  const person = document.querySelector('meta[name="person"]')?.content || "";
  // What is smaller goes with the form, at once.
  const SMALL = 256 * 1024;
  const [LEAST, MOST, ALL] = [64 * 1024, 4 * 1024 * 1024, 512 * 1024 * 1024];
  const wait = (ms) => new Promise((done) => {
    const go = () => { removeEventListener("online", go); clearTimeout(timer); done(); };
    const timer = setTimeout(go, ms);
    addEventListener("online", go);
  });

  // ---- what waits on this phone: a form with its files, until the server has taken it ----
  function withStore(mode, work) {
    return new Promise((done, failed) => {
      if (!("indexedDB" in window)) { failed(new Error("no store")); return; }
      const open = indexedDB.open("tubewright", 1);
      open.onupgradeneeded = () => open.result.createObjectStore("unsent", { keyPath: "id", autoIncrement: true });
      open.onerror = () => failed(open.error);
      open.onsuccess = () => {
        const act = open.result.transaction("unsent", mode);
        const asked = work(act.objectStore("unsent"));
        act.oncomplete = () => { open.result.close(); done(asked && asked.result); };
        act.onerror = () => { open.result.close(); failed(act.error); };
      };
    });
  }
  const all = () => withStore("readonly", (s) => s.getAll());
  const drop = (id) => withStore("readwrite", (s) => s.delete(id));
  const put = (entry) => withStore("readwrite", (s) => s.put(entry));

  // ---- pieces ----
  class Away extends Error {}
  class Refused extends Error {}
  function mark() {
    const b = crypto.getRandomValues(new Uint8Array(16));
    b[6] = (b[6] & 0x0f) | 0x40;
    b[8] = (b[8] & 0x3f) | 0x80;
    const hex = Array.from(b, (one) => one.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
  }
  let size = SMALL;
  async function piece(file, id, from, to, csrf) {
    let answer;
    try {
      answer = await fetch("/pieces/" + id + "?from=" + from + "&of=" + file.size, { method: "POST", body: file.slice(from, to),
        headers: { "Content-Type": "application/octet-stream", "X-Form-Mark": csrf }, redirect: "manual", signal: AbortSignal.timeout?.(60000) });
    } catch { throw new Away(); }
    if (answer.status === 429 || answer.status === 503 || answer.status === 502 || answer.status === 504) throw new Away();
    if (answer.status !== 200 && answer.status !== 409) throw new Refused();
    return (await answer.json()).bytes;
  }
  // A file, from where the server has it. `begun`: whether any of it may be there already.
  async function sendFile(file, id, begun, csrf, tell) {
    let from = begun ? await piece(file, id, 0, 0, csrf) : 0;
    while (from < file.size) {
      tell(from);
      const [to, since] = [Math.min(file.size, from + size), performance.now()];
      from = await piece(file, id, from, to, csrf);
      const took = performance.now() - since;
      if (took < 1000) size = Math.min(MOST, size * 2);
      else if (took > 8000) size = Math.max(LEAST, size / 2);
    }
    tell(file.size);
  }
  const isFile = (value) => value instanceof Blob && value.size > 0;
  const bytesOf = (fields) => fields.reduce((sum, [, value]) => sum + (isFile(value) ? value.size : 0), 0);
  const inPieces = (fields) => bytesOf(fields) > SMALL && bytesOf(fields) <= ALL;
  // The fields of a form, its files sent and their marks in their place. The entry remembers the
  // marks, so that whoever goes on with it goes on where it stopped.
  async function sendFiles(entry, csrf, tell) {
    const begun = entry.marks !== undefined;
    if (!begun) {
      entry.marks = entry.fields.map(([, value]) => (isFile(value) ? mark() : ""));
      if (entry.id !== undefined) await put(entry);
    }
    let before = 0;
    const fields = [];
    for (const [n, [name, value]] of entry.fields.entries()) {
      if (!isFile(value)) { if (!(value instanceof Blob)) fields.push([name, value]); continue; }
      await sendFile(value, entry.marks[n], begun, csrf, (sent) => tell(before + sent));
      before += value.size;
      fields.push(["pieces:" + name, entry.marks[n] + "/" + value.size + "/" + value.name]);
    }
    return fields;
  }
  // One tab at a time sends; another that is killed lets go of its turn.
  function turn(work, options = {}) {
    return navigator.locks ? navigator.locks.request("sending", options, work) : work(true);
  }

  // ---- a form that is sent now ----
  const words = (bytes) => (bytes / 1024 / 1024).toFixed(1);
  function hidden(form, name, value) {
    const field = document.createElement("input");
    [field.type, field.name, field.value] = ["hidden", name, value];
    form.append(field);
    return field;
  }
  function progress(form, bytes, count) {
    const box = document.createElement("div");
    box.className = "sending";
    const say = document.createElement("p");
    say.setAttribute("role", "status");
    const bar = document.createElement("progress");
    bar.max = bytes;
    bar.setAttribute("aria-label", "Sent");
    const told = document.createElement("p");
    const stop = document.createElement("button");
    [stop.type, stop.className, stop.textContent] = ["button", "key key-quiet", "Stop"];
    box.append(say, bar, told, stop);
    form.append(box);
    box.scrollIntoView({ block: "nearest" });
    const one = { stopped: false, say: (text) => { if (say.textContent !== text) say.textContent = text; },
      sent: (so) => { bar.value = so; told.textContent = words(so) + " of " + words(bytes) + " MB"; }, away: () => box.remove() };
    one.going = () => one.say(count === 1 ? "Sending the file\u2026" : "Sending " + count + " files\u2026");
    stop.addEventListener("click", () => { one.stopped = true; stop.disabled = true; });
    return one;
  }
  // As it was before it was sent (script.js had locked it).
  function free(form) {
    delete form.dataset.sent;
    for (const key of form.elements) if (key.type === "submit") key.disabled = false;
    try { sessionStorage.removeItem("sent"); } catch { /* forbidden */ }
  }
  async function sendNow(form, submitter) {
    const data = new FormData(form, submitter);
    const entry = { path: new URL(form.action, location.href).pathname, fields: [...data.entries()], person, at: new Date().toISOString(), refused: "" };
    const files = entry.fields.filter(([, value]) => isFile(value));
    const seen = progress(form, bytesOf(entry.fields), files.length);
    let kept = true;
    try { entry.id = await put(entry); } catch { kept = false; }
    const isStopped = () => { if (seen.stopped) throw new Refused(); };
    let fields = null;
    while (!fields) {
      try {
        seen.going();
        fields = await sendFiles(entry, data.get("csrf"), (sent) => { isStopped(); seen.sent(sent); });
        isStopped();
      } catch (error) {
        if (error instanceof Away && !seen.stopped) {
          seen.say("No network. It goes on by itself when there is one." + (kept ? " You can leave this page: it is kept on this phone." : " Keep this page open."));
          await wait(3000);
          continue;
        }
        if (kept) await drop(entry.id);
        seen.away();
        delete form.dataset.going;
        if (seen.stopped) { free(form); return undefined; }
        // Sent whole, then, and taken or refused in the server's words.
        break;
      }
    }
    if (submitter?.name) hidden(form, submitter.name, submitter.value);
    if (fields) {
      for (const box of form.querySelectorAll("input[type=file]")) box.disabled = true;
      const marks = fields.filter(([name]) => name.startsWith("pieces:"));
      for (const [name, value] of marks) if (!form.querySelector('input[name="' + name + '"][value="' + CSS.escape(value) + '"]')) hidden(form, name, value);
      form.enctype = "multipart/form-data";
      try {
        sessionStorage.setItem("marks", JSON.stringify({ path: entry.path, marks }));
        if (kept) sessionStorage.setItem("handed", String(entry.id));
      } catch { /* full or forbidden */ }
    }
    HTMLFormElement.prototype.submit.call(form);
    // The turn is kept until this page is left, so that nobody else sends the same meanwhile.
    return new Promise((done) => { setTimeout(done, 60000); });
  }
  const takesPieces = document.querySelector('meta[name="pieces"]') !== null;
  if (takesPieces) document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.going) { event.preventDefault(); return; }
    if (event.defaultPrevented || form.method !== "post" || !form.querySelector("input[type=file]")) return;
    if (!inPieces([...new FormData(form).entries()])) return;
    event.preventDefault();
    form.dataset.going = "yes";
    turn(() => sendNow(form, event.submitter));
  });

  // ---- what became of it ----
  const take = (key) => { try { const value = sessionStorage.getItem(key); sessionStorage.removeItem(key); return value; } catch { return null; } };
  // The form was answered in this very tab: it waits no more.
  const handed = take("handed");
  const ready = handed ? drop(Number(handed)).catch(() => { /* sent again, and taken once */ }) : Promise.resolve();
  // A form that comes back to be mended still has its files here.
  const sent = JSON.parse(take("marks") || "null");
  if (sent && document.getElementById("errors")) {
    for (const form of document.querySelectorAll("form")) {
      if (form.method !== "post" || new URL(form.action, location.href).pathname !== sent.path) continue;
      for (const box of form.querySelectorAll("input[type=file]")) {
        const marks = sent.marks.filter(([name]) => name === "pieces:" + box.name);
        if (!marks.length || box.getAttribute("aria-invalid")) continue;
        const fields = marks.map(([name, value]) => hidden(form, name, value));
        form.enctype = "multipart/form-data";
        const note = document.createElement("p");
        note.className = "hint";
        note.textContent = "Sent already: " + marks.map(([, value]) => value.split("/").slice(2).join("/")).join(", ") + ". Choose others to replace them.";
        box.after(note);
        box.addEventListener("change", () => { note.remove(); for (const field of fields) field.remove(); });
      }
    }
  }
  return { person, all, drop, put, ready, takesPieces, inPieces, sendFiles, turn, bytesOf, Away, Refused };
})();
