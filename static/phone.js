// A star test by phone: takes a film apart, or takes stills from the camera or a shared window by
// itself when they are good. Nothing leaves the phone before the person sends it.
(() => {
  "use strict";
  const form = document.getElementById("phone");
  const film = document.getElementById("film");
  if (!form || !film || !window.phoneStar) return;
  const { find, look, fault, dark, SIDE } = window.phoneStar;
  const box = form.elements.namedItem("stills");
  const at = (name) => film.querySelector(`[data-film="${name}"]`);
  const video = at("video");
  const marks = at("marks");
  const stage = at("stage");
  const live = at("live");
  const hand = at("hand");
  const say = (words) => { const p = at("say"); if (p.textContent !== words) p.textContent = words; };
  const count = (words) => { at("count").textContent = words; };
  film.hidden = false;

  const WORDS = {
    none: "Bring a star into the picture.", bright: "Too bright: lower the exposure.", two: "Two stars: find one that stands alone.",
    edge: "Bring the star to the middle.", near: "Farther out of focus.", wide: "Less far out of focus, or less power.",
    faint: "Too faint: raise the exposure.", shaded: "Take the hand away.", moved: "Hold still.", "": "Good. Hold still.",
  };
  // Stills to be sent: at least, at most of a film, and so many are taken live, of which the sharpest stay.
  const FEW = 10;
  const MOST = 60;
  const TAKEN = 40;
  const KEPT = 30;
  // The longest side at which the star is looked for, and how much about it is kept, radii.
  const SOUGHT = 320;
  const ABOUT = 2.2;
  // The least and longest film, s.
  const SHORTEST = 5;
  const LONGEST = 60;
  const PACE_MS = 100;

  const canvas = (width, height) => { const c = document.createElement("canvas"); c.width = width; c.height = height; return c; };
  const brushOf = (c) => c.getContext("2d", { willReadFrequently: true });
  const small = canvas(SOUGHT, SOUGHT);
  const square = canvas(SIDE, SIDE);

  // Finds the star in what the video shows now, and cuts its part out at full size.
  function seen() {
    const [w, h] = [video.videoWidth, video.videoHeight];
    if (!w || !h) return null;
    const share = Math.min(1, SOUGHT / Math.max(w, h));
    small.width = Math.round(w * share);
    small.height = Math.round(h * share);
    const brush = brushOf(small);
    brush.drawImage(video, 0, 0, small.width, small.height);
    const found = find(brush.getImageData(0, 0, small.width, small.height));
    if (!found) return { w, h, star: null };
    const star = { ...found, x: found.x / share, y: found.y / share, r: found.r / share };
    const half = Math.min(400, Math.ceil(ABOUT * star.r) + 4);
    const x0 = Math.max(0, Math.round(star.x) - half);
    const y0 = Math.max(0, Math.round(star.y) - half);
    const part = canvas(Math.min(w, Math.round(star.x) + half) - x0, Math.min(h, Math.round(star.y) + half) - y0);
    const close = brushOf(part);
    close.drawImage(video, x0, y0, part.width, part.height, 0, 0, part.width, part.height);
    const near = look(close.getImageData(0, 0, part.width, part.height), { x: star.x - x0, y: star.y - y0, r: star.r });
    return { w, h, star, near, part };
  }
  const png = (part) => new Promise((done) => part.toBlob(done, "image/png"));
  const fileOf = (one) => new File([one.blob], "still-" + one.time.toFixed(3).padStart(8, "0") + "s.png", { type: "image/png" });
  const megabytes = (bytes) => (bytes / 1024 / 1024).toFixed(1) + " MB";

  // Into the form's own box, so that the form sends them as it would chosen files.
  function give(stills) {
    const made = new DataTransfer();
    for (const one of stills) made.items.add(fileOf(one));
    box.files = made.files;
    count(stills.length + " stills, " + megabytes(stills.reduce((sum, one) => sum + one.blob.size, 0)) + ".");
    at("send").hidden = false;
  }
  const sharpest = (stills, most) => stills.slice().sort((a, b) => b.sharp - a.sharp).slice(0, most).sort((a, b) => a.time - b.time);
  at("send").addEventListener("click", () => { stop(); form.requestSubmit(); });

  // ---- a film ----
  const once = (what, event) => new Promise((done, failed) => {
    what.addEventListener(event, done, { once: true });
    what.addEventListener("error", () => failed(new Error("unreadable")), { once: true });
  });
  async function lengthOf() {
    if (Number.isFinite(video.duration)) return video.duration;
    // A film that its browser made tells its length only at its end.
    video.currentTime = 1e7;
    await once(video, "seeked");
    return video.currentTime;
  }
  async function takeApart(file) {
    stop();
    drifted(0);
    const address = URL.createObjectURL(file);
    try {
      video.src = address;
      say("Reading the film\u2026");
      await once(video, "loadeddata");
      const length = await lengthOf();
      if (length < SHORTEST - 0.5 || length > LONGEST + 0.5) {
        say("This film lasts " + Math.round(length) + " s. Choose one of " + SHORTEST + " to " + LONGEST + " s.");
        return;
      }
      stage.hidden = false;
      const looks = Math.min(120, Math.max(40, Math.round(2 * length)));
      const good = [];
      const faults = {};
      let last = null;
      for (let k = 0; k < looks; k += 1) {
        const time = (k + 0.5) / looks * length;
        video.currentTime = time;
        await once(video, "seeked");
        const now = seen();
        if (!now) continue;
        // Half a second or so lies between two looks: the star may stand elsewhere.
        const wrong = fault(now.star, now.near, null, { width: now.w, height: now.h });
        draw(now, wrong);
        if (wrong) faults[wrong] = (faults[wrong] || 0) + 1; else good.push({ blob: await png(now.part), time, sharp: now.near.sharp });
        last = now;
        say("Reading the film: " + Math.round((k + 1) / looks * 100) + " %");
      }
      const often = Object.entries(faults).sort((a, b) => b[1] - a[1])[0];
      if (good.length < FEW) {
        say("Only " + good.length + " of " + looks + " pictures of this film are good. " + (often ? WORDS[often[0]] : "") + (last ? " Film it again." : ""));
        return;
      }
      // The better half, and no fewer than there must be.
      give(sharpest(good, Math.min(MOST, Math.max(FEW, Math.ceil(good.length / 2)))));
      say("The film is taken apart. Send it.");
    } catch {
      say("This browser can\u2019t read that film. Take stills instead.");
    } finally {
      video.removeAttribute("src");
      video.load();
      stage.hidden = true;
      URL.revokeObjectURL(address);
    }
  }
  at("file").addEventListener("change", (event) => { if (event.target.files[0]) takeApart(event.target.files[0]); });

  // ---- live ----
  let stream = null;
  let kept = [];
  let last = null;
  let timer = 0;
  let begun = 0;
  // The shade test: null, or what it waits for.
  let shade = null;

  function draw(now, wrong) {
    marks.width = now.w;
    marks.height = now.h;
    const brush = marks.getContext("2d");
    const ink = getComputedStyle(marks);
    brush.lineWidth = Math.max(2, now.w / 240);
    brush.strokeStyle = ink.color;
    brush.setLineDash([now.w / 60, now.w / 60]);
    brush.beginPath();
    brush.arc(now.w / 2, now.h / 2, 0.25 * Math.min(now.w, now.h), 0, 2 * Math.PI);
    brush.stroke();
    if (!now.star) return;
    brush.setLineDash([]);
    brush.strokeStyle = ink.outlineColor;
    brush.lineWidth *= wrong ? 1 : 2;
    brush.beginPath();
    brush.arc(now.star.x, now.star.y, 1.15 * now.star.r, 0, 2 * Math.PI);
    brush.stroke();
    if (wrong === "edge") {
      brush.beginPath();
      brush.moveTo(now.star.x, now.star.y);
      brush.lineTo(now.w / 2, now.h / 2);
      brush.stroke();
    }
  }
  function stop() {
    clearTimeout(timer);
    if (stream) for (const track of stream.getTracks()) track.stop();
    stream = null;
    drift = null;
    if (watched) at("watch").click();
    endShade();
    video.srcObject = null;
    stage.hidden = true;
    live.hidden = true;
    at("begin").hidden = false;
  }
  async function start(ask) {
    stop();
    try { stream = await ask(); } catch (error) {
      say(error.name === "NotAllowedError" ? "The browser was not allowed to. Allow it in the browser\u2019s settings, or choose stills below." : "No camera can be opened here. Choose stills below.");
      return;
    }
    kept = [];
    last = null;
    begun = performance.now();
    at("send").hidden = true;
    count("");
    video.srcObject = stream;
    await video.play().catch(() => { /* it begins by itself */ });
    stage.hidden = false;
    live.hidden = false;
    at("begin").hidden = true;
    exposure();
    stream.getVideoTracks()[0].addEventListener("ended", stop);
    film.scrollIntoView({ block: "start" });
    round();
  }
  // ---- going on: the newest good pictures are measured again and again while a screw is turned ----
  const NEWEST = 12;
  let watched = null;
  let asked = false;
  let first = null;
  async function goOn(now, wrong) {
    say(WORDS[wrong]);
    if (wrong) return;
    const mine = watched;
    mine.push({ blob: await png(now.part), time: (performance.now() - begun) / 1000 });
    while (mine.length > NEWEST) mine.shift();
    if (asked || mine.length < NEWEST || mine !== watched) return;
    asked = true;
    const body = new FormData();
    for (const name of ["csrf", "once"]) body.append(name, form.elements.namedItem(name).value);
    for (const one of mine) body.append("stills", fileOf(one));
    try {
      const answer = await fetch(form.action + "/reading", { method: "POST", body });
      if (!answer.ok) throw new Error("refused");
      const told = await answer.json();
      if (mine === watched) {
        if (first === null) first = told.coma_rms_waves;
        at("coma").textContent = told.words + (told.coma_rms_waves !== null && first !== told.coma_rms_waves ? " At first " + first.toFixed(3) + "." : "");
        // What was seen before the next turn is no part of the next reading.
        mine.length = 0;
      }
    } catch { at("coma").textContent = "No reading. Is the network there?"; mine.length = 0; }
    asked = false;
  }
  at("watch").addEventListener("click", () => {
    endShade();
    drift = null;
    kept = [];
    at("send").hidden = true;
    count("");
    at("coma").textContent = "";
    first = null;
    watched = watched ? null : [];
    at("watch").textContent = watched ? "Take stills again" : "Go on measuring";
  });

  // ---- the drift: motor off, how fast the star goes through the picture tells its scale ----
  // So long it is timed at least, s, over so many pixels; a star that does not go straight tells nothing.
  const TIMED_S = 8;
  const TIMED_PX = 40;
  const STRAIGHT_PX = 4;
  let drift = null;
  function drifted(px_s, sigma) {
    form.elements.namedItem("drift_px_s").value = px_s ? px_s.toFixed(3) : "";
    form.elements.namedItem("drift_px_s_sigma").value = px_s ? sigma.toFixed(3) : "";
    document.getElementById("drifted").textContent = px_s ? "Drift timed: " + px_s.toFixed(1) + " \u00b1 " + sigma.toFixed(1) + " pixels a second." : "";
  }
  // A straight line through places at times: its slope, that slope's 1-sigma, and the scatter about it.
  function line(times, places) {
    const n = times.length;
    const mean = (all) => all.reduce((a, b) => a + b, 0) / n;
    const [t0, p0] = [mean(times), mean(places)];
    const spread = times.reduce((s, t) => s + (t - t0) ** 2, 0);
    const slope = times.reduce((s, t, k) => s + (t - t0) * (places[k] - p0), 0) / spread;
    const left = places.reduce((s, p, k) => s + (p - p0 - slope * (times[k] - t0)) ** 2, 0);
    const scatter = Math.sqrt(left / Math.max(1, n - 2));
    return { slope, sigma: scatter / Math.sqrt(spread), scatter };
  }
  function timed(now) {
    if (!now.star) { say("Bring a star into the picture."); return; }
    const time = performance.now() / 1000;
    drift.push({ time, x: now.star.x, y: now.star.y });
    const first = drift[0];
    const gone = Math.hypot(now.star.x - first.x, now.star.y - first.y);
    say("Motor off. Hold the phone still while the star drifts.");
    count(Math.round(time - first.time) + " s, " + Math.round(gone) + " pixels.");
    if (time - first.time < TIMED_S || (gone < TIMED_PX && time - first.time < 3 * TIMED_S)) return;
    const [x, y] = ["x", "y"].map((way) => line(drift.map((d) => d.time), drift.map((d) => d[way])));
    drift = null;
    const px_s = Math.hypot(x.slope, y.slope);
    // A phone that is held wanders slowly: more than the scatter from picture to picture tells.
    const sigma = Math.max(3 * Math.hypot(x.sigma, y.sigma), 0.01 * px_s);
    if (gone < TIMED_PX || Math.hypot(x.scatter, y.scatter) > Math.max(STRAIGHT_PX, 0.05 * gone)) {
      drifted(0);
      at("coma").textContent = "The star did not drift straight. Motor off? Hold the phone still and time it once more.";
      return;
    }
    drifted(px_s, sigma);
    document.getElementById("scale").open = true;
    at("coma").textContent = "Drift timed. Tell the star\u2019s declination below.";
  }
  at("drift").addEventListener("click", () => { if (watched) at("watch").click(); endShade(); kept = []; at("send").hidden = true; at("coma").textContent = ""; drifted(0); drift = []; });

  // Where the camera lets a page set how bright its pictures are.
  function exposure() {
    const track = stream.getVideoTracks()[0];
    const can = track.getCapabilities?.().exposureCompensation;
    const slide = at("exposure");
    slide.closest(".field").hidden = !can;
    if (!can) return;
    slide.min = can.min; slide.max = can.max; slide.step = can.step || 0.1;
    slide.value = track.getSettings().exposureCompensation ?? 0;
    slide.oninput = () => { track.applyConstraints({ advanced: [{ exposureCompensation: Number(slide.value) }] }).catch(() => { /* not now */ }); };
  }
  async function round() {
    const from = performance.now();
    const now = seen();
    if (now && stream) {
      const wrong = fault(now.star, now.near, last, { width: now.w, height: now.h });
      draw(now, wrong);
      if (drift) timed(now); else if (watched) await goOn(now, wrong); else if (shade) shaded(now, wrong); else await take(now, wrong);
      last = now.star;
    }
    if (!stream) return;
    // Each picture of the camera once, where the browser tells them apart.
    const next = () => { if (!stream) return; if (video.requestVideoFrameCallback) video.requestVideoFrameCallback(round); else round(); };
    timer = setTimeout(next, Math.max(10, PACE_MS - (performance.now() - from)));
  }
  async function take(now, wrong) {
    if (kept.length >= TAKEN) return;
    if (turnedAway()) { say("Turn the phone as it was at the shade test."); return; }
    say(WORDS[wrong]);
    if (wrong) return;
    const time = (performance.now() - begun) / 1000;
    kept.push({ blob: await png(now.part), time, sharp: now.near.sharp });
    if (!stream) return;
    count(kept.length + " of " + TAKEN);
    if (kept.length === TAKEN) {
      give(sharpest(kept, KEPT));
      say("Taken. Send them, or take others.");
    }
  }
  const media = navigator.mediaDevices;
  const camera = { video: { facingMode: "environment", width: { ideal: 1280 }, height: { ideal: 720 } }, audio: false };
  if (media?.getUserMedia) at("camera").addEventListener("click", () => start(() => media.getUserMedia(camera)));
  else { at("camera").hidden = true; say("A browser opens the camera at an https address only. Choose stills or a film."); }
  if (media?.getDisplayMedia) at("window").addEventListener("click", () => start(() => media.getDisplayMedia({ video: true, audio: false })));
  else at("window").hidden = true;
  at("again").addEventListener("click", () => { kept = []; endShade(); begun = performance.now(); at("send").hidden = true; count(""); });
  at("stop").addEventListener("click", () => {
    const stills = kept;
    stop();
    if (stills.length >= FEW) { give(sharpest(stills, KEPT)); say("Stopped. Send the stills, or start anew."); } else say("Stopped.");
  });
  window.addEventListener("pagehide", stop);

  // ---- how the phone is held: by its own weight, with leave, while this page is open ----
  // Farther from how it was held at the shade test it may not be, degrees. Lying flat it tells nothing.
  const TURNED = 20;
  const LEAST_PULL = 3;
  const HELD = "held:" + location.pathname;
  let pull = null;
  window.addEventListener("devicemotion", ({ accelerationIncludingGravity: g }) => {
    pull = g && Math.hypot(g.x, g.y) > LEAST_PULL ? Math.atan2(g.x, g.y) * 180 / Math.PI : null;
  });
  // Some phones give it after a tap and a question only.
  const askForPull = () => { window.DeviceMotionEvent?.requestPermission?.().catch(() => { /* then without */ }); };
  function turnedAway() {
    let held = null;
    try { held = sessionStorage.getItem(HELD); } catch { /* forbidden */ }
    return held !== null && pull !== null && apart(Number(held), pull) > TURNED;
  }
  function keepHeld() {
    try { if (pull === null) sessionStorage.removeItem(HELD); else sessionStorage.setItem(HELD, String(pull)); } catch { /* forbidden */ }
  }

  // ---- the shade test ----
  const HOURS = ["12", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11"];
  const hourOf = (deg) => HOURS[Math.round(deg / 30) % 12];
  const FIELDS = [["shade_tube", "shade_dark"], ["shade_tube_2", "shade_dark_2"]];
  // So many alike in a row tell it; so far apart they may lie, degrees.
  const ALIKE = 5;
  const APART = 25;
  const apart = (a, b) => { const d = Math.abs(a - b) % 360; return Math.min(d, 360 - d); };

  function part(star) {
    const wide = 4 * star.r;
    const brush = brushOf(square);
    brush.fillStyle = "#000";
    brush.fillRect(0, 0, SIDE, SIDE);
    brush.drawImage(video, star.x - wide / 2, star.y - wide / 2, wide, wide, 0, 0, SIDE, SIDE);
    return brush.getImageData(0, 0, SIDE, SIDE);
  }
  at("shade").addEventListener("click", () => {
    askForPull();
    drift = null;
    if (watched) at("watch").click();
    try { sessionStorage.removeItem(HELD); } catch { /* forbidden */ }
    kept = [];
    at("send").hidden = true;
    count("");
    for (const name of FIELDS.flat()) form.elements.namedItem(name).value = "";
    document.getElementById("shade").open = true;
    film.classList.add("is-shading");
    at("enough").hidden = true;
    shade = { done: 0, clear: null, star: null, hour: "", run: [] };
  });
  function endShade() {
    shade = null;
    film.classList.remove("is-shading");
    hand.hidden = true;
    at("enough").hidden = true;
  }
  at("enough").addEventListener("click", endShade);
  hand.addEventListener("change", (event) => { if (shade && event.target.name === "hand") shade.hour = event.target.value; });
  function shaded(now, wrong) {
    if (!shade.clear) {
      hand.hidden = true;
      if (wrong) { say(WORDS[wrong]); shade.run = []; return; }
      say("Shade test. Keep the hand away.");
      shade.run.push(now.star);
      if (shade.run.length < ALIKE) return;
      Object.assign(shade, { clear: part(now.star), star: now.star, run: [], hour: "" });
      for (const tick of hand.querySelectorAll("input")) tick.checked = false;
      hand.hidden = false;
      return;
    }
    const where = shade.done ? "a quarter turn from there" : "12 o\u2019clock";
    if (!shade.hour) { say("Hold a hand before the rim of the tube at " + where + ", seen from in front. Tap where it is."); return; }
    const told = dark(shade.clear, part(shade.star));
    if (told.why) {
      shade.run = [];
      say({ nothing: "Hold the hand farther before the rim.", all: "Hold the hand less far in.", round: "Hold the hand still, at one side." }[told.why]);
      return;
    }
    if (shade.run.some((deg) => apart(deg, told.deg) > APART)) shade.run = [];
    shade.run.push(told.deg);
    if (shade.run.length < ALIKE) { say("Hold the hand there."); return; }
    const turn = (of) => shade.run.reduce((sum, deg) => sum + of(deg * Math.PI / 180), 0);
    const deg = (Math.atan2(turn(Math.sin), turn(Math.cos)) * 180 / Math.PI + 360) % 360;
    const [tube, went] = FIELDS[shade.done];
    form.elements.namedItem(tube).value = shade.hour;
    form.elements.namedItem(went).value = hourOf(deg);
    keepHeld();
    const words = "Shaded at " + shade.hour + ", dark at " + hourOf(deg) + ".";
    if (shade.done === 0) {
      count(words + " Once more a quarter turn on tells whether the picture is mirrored.");
      Object.assign(shade, { done: 1, clear: null, run: [] });
      at("enough").hidden = false;
      return;
    }
    endShade();
    const turned = (HOURS.indexOf(form.elements.namedItem("shade_tube_2").value) - HOURS.indexOf(form.elements.namedItem("shade_tube").value) + 12) % 12;
    const seenTurned = (HOURS.indexOf(form.elements.namedItem("shade_dark_2").value) - HOURS.indexOf(form.elements.namedItem("shade_dark").value) + 12) % 12;
    const mirrored = Math.abs(turned - seenTurned) > 3 && Math.abs(turned - seenTurned) < 9;
    count(words + (mirrored ? " The picture is mirrored." : " The picture is not mirrored.") + " Don\u2019t turn the phone now.");
  }

  // ---- chosen stills lose what says where and when they were taken ----
  // A JPEG keeps its picture to the byte, how it is turned and its camera's focal length; a PNG its
  // picture.
  function bareJpeg(bytes) {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    const parts = [bytes.subarray(0, 2)];
    let told = { turn: 0, focal: 0 };
    let from = 2;
    while (from + 4 <= bytes.length && bytes[from] === 0xff) {
      const kind = bytes[from + 1];
      if (kind === 0xff) { from += 1; continue; }
      if (kind === 0xda) break;
      const length = view.getUint16(from + 2);
      const body = bytes.subarray(from, from + 2 + length);
      if (kind === 0xe1) { const more = toldIn(body); told = { turn: more.turn || told.turn, focal: more.focal || told.focal }; }
      // Of the applications' own parts only those that a decoder needs stay; no words do.
      if (!(kind >= 0xe1 && kind <= 0xef && kind !== 0xee) && kind !== 0xfe) parts.push(body);
      from += 2 + length;
    }
    // What phones hang on behind the picture (a film, another picture) goes too.
    let end = bytes.length;
    for (let k = from + 2; k + 1 < bytes.length; k += 1) if (bytes[k] === 0xff && bytes[k + 1] === 0xd9) { end = k + 2; break; }
    parts.push(bytes.subarray(from, end));
    if (told.turn > 1 || told.focal) parts.splice(1, 0, exifOf(told));
    return new Blob(parts, { type: "image/jpeg" });
  }
  // What an Exif part says of how the picture is turned, 1 to 8, and of the camera's focal length as
  // of 35 mm film, mm; 0 where it says nothing.
  function toldIn(body) {
    const tiff = body.subarray(10);
    const told = { turn: 0, focal: 0 };
    if (String.fromCharCode(...body.subarray(4, 8)) !== "Exif" || tiff.length < 14) return told;
    const view = new DataView(tiff.buffer, tiff.byteOffset, tiff.byteLength);
    const little = tiff[0] === 0x49;
    const entries = (first, see) => {
      if (first + 2 > tiff.length) return;
      for (let k = 0, n = view.getUint16(first, little); k < n && first + 14 + 12 * k <= tiff.length; k += 1) see(first + 2 + 12 * k);
    };
    const word = (entry) => view.getUint16(entry + 8, little);
    entries(view.getUint32(4, little), (entry) => {
      const tag = view.getUint16(entry, little);
      if (tag === 0x112 && word(entry) >= 1 && word(entry) <= 8) told.turn = word(entry);
      if (tag === 0x8769) entries(view.getUint32(entry + 8, little), (own) => { if (view.getUint16(own, little) === 0xa405) told.focal = word(own); });
    });
    return told;
  }
  // An Exif part that says that and nothing else.
  function exifOf({ turn, focal }) {
    const short = (tag, value) => [tag >> 8, tag & 255, 0, 3, 0, 0, 0, 1, value >> 8, value & 255, 0, 0];
    const none = [0, 0, 0, 0];
    const first = [0, 2, ...short(0x112, turn || 1), 0x87, 0x69, 0, 4, 0, 0, 0, 1, 0, 0, 0, 38, ...none];
    const tiff = [0x4d, 0x4d, 0, 42, 0, 0, 0, 8, ...first, 0, 1, ...short(0xa405, focal), ...none];
    const body = [0x45, 0x78, 0x69, 0x66, 0, 0, ...tiff];
    return new Uint8Array([0xff, 0xe1, 0, body.length + 2, ...body]);
  }
  function barePng(bytes) {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    const parts = [bytes.subarray(0, 8)];
    for (let from = 8; from + 12 <= bytes.length;) {
      const length = view.getUint32(from) + 12;
      const kind = String.fromCharCode(...bytes.subarray(from + 4, from + 8));
      if (!["eXIf", "tEXt", "iTXt", "zTXt", "tIME"].includes(kind)) parts.push(bytes.subarray(from, from + length));
      from += length;
    }
    return new Blob(parts, { type: "image/png" });
  }
  async function bare(file) {
    const bytes = new Uint8Array(await file.arrayBuffer());
    let blob = null;
    try {
      if (bytes[0] === 0xff && bytes[1] === 0xd8) blob = bareJpeg(bytes);
      else if (bytes[0] === 0x89 && bytes[1] === 0x50) blob = barePng(bytes);
    } catch { blob = null; }
    return blob ? new File([blob], file.name, { type: blob.type }) : file;
  }
  box.addEventListener("change", async () => {
    // Their pixels are not those of the camera's picture in which a drift was timed.
    drifted(0);
    const keys = Array.from(form.elements).filter((e) => e.type === "submit");
    for (const key of keys) key.disabled = true;
    const made = new DataTransfer();
    for (const file of Array.from(box.files)) made.items.add(await bare(file));
    box.files = made.files;
    for (const key of keys) key.disabled = false;
  });
})();
