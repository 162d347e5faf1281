// Looks at one picture of a star out of focus: where it is, how large, what is wrong with it.
window.phoneStar = (() => {
  "use strict";
  // Light of the 256 steps of a colour, 0 to 1 (IEC 61966-2-1).
  const LIGHT = Float32Array.from({ length: 256 }, (_, i) => { const v = i / 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
  // A colour from here on is at its limit.
  const FULL = 252;

  function light({ data, width, height }) {
    const out = new Float32Array(width * height);
    for (let i = 0, k = 0; i < out.length; i += 1, k += 4) out[i] = 0.25 * LIGHT[data[k]] + 0.5 * LIGHT[data[k + 1]] + 0.25 * LIGHT[data[k + 2]];
    return out;
  }
  const quantile = (values, share) => { const s = Float32Array.from(values).sort(); return s[Math.min(s.length - 1, Math.floor(share * s.length))]; };
  // Quantiles of many values, to a two thousandth of the brightest.
  function levels(values, shares) {
    let top = 0;
    for (const v of values) if (v > top) top = v;
    const bins = new Uint32Array(2048);
    const scale = top > 0 ? 2047 / top : 0;
    for (const v of values) bins[Math.floor(v * scale)] += 1;
    return shares.map((share) => {
      let left = share * values.length;
      let at = 0;
      while (at < 2047 && (left -= bins[at]) >= 0) at += 1;
      return scale ? at / scale : 0;
    });
  }

  // Groups of bright cells, each with its light and its bounds; a ring may have gaps of one cell.
  function groups(mask, weight, width, height) {
    const seen = new Uint8Array(mask.length);
    const found = [];
    for (let from = 0; from < mask.length; from += 1) {
      if (!mask[from] || seen[from]) continue;
      const one = { sum: 0, x0: width, x1: 0, y0: height, y1: 0, cells: 0 };
      const stack = [from];
      seen[from] = 1;
      while (stack.length) {
        const i = stack.pop();
        const x = i % width;
        const y = (i - x) / width;
        one.sum += weight[i]; one.cells += 1;
        one.x0 = Math.min(one.x0, x); one.x1 = Math.max(one.x1, x); one.y0 = Math.min(one.y0, y); one.y1 = Math.max(one.y1, y);
        for (let v = Math.max(0, y - 2); v <= Math.min(height - 1, y + 2); v += 1)
          for (let u = Math.max(0, x - 2); u <= Math.min(width - 1, x + 2); u += 1) {
            const k = v * width + u;
            if (mask[k] && !seen[k]) { seen[k] = 1; stack.push(k); }
          }
      }
      found.push(one);
    }
    return found.sort((a, b) => b.sum - a.sum);
  }

  // The brightest thing in a picture: middle and radius in its pixels, or null.
  function find(image) {
    const { width, height } = image;
    const bright = light(image);
    const [sky, top] = levels(bright, [0.3, 0.9985]);
    if (top - sky < 0.012) return null;
    const bar = sky + 0.3 * (top - sky);
    // Cells of 2 x 2 pixels, bright where the mean of the four is.
    const w = width >> 1;
    const h = height >> 1;
    const cells = new Float32Array(w * h);
    const mask = new Uint8Array(w * h);
    for (let y = 0, k = 0; y < h; y += 1)
      for (let x = 0; x < w; x += 1, k += 1) {
        const i = 2 * y * width + 2 * x;
        const mean = (bright[i] + bright[i + 1] + bright[i + width] + bright[i + width + 1]) / 4;
        cells[k] = mean - sky;
        mask[k] = mean > bar ? 1 : 0;
      }
    const all = groups(mask, cells, w, h).filter((g) => g.cells > 1);
    const one = all[0];
    if (!one) return null;
    const wide = one.x1 - one.x0 + 1;
    const high = one.y1 - one.y0 + 1;
    const star = { x: one.x0 + one.x1 + 1, y: one.y0 + one.y1 + 1, r: (wide + high) / 2, drawnOut: Math.abs(wide - high) / (wide + high) };
    star.edge = one.x0 <= 0 || one.y0 <= 0 || one.x1 >= w - 1 || one.y1 >= h - 1;
    star.other = all.slice(1).some((g) => g.sum > 0.2 * one.sum && Math.hypot(g.x0 + g.x1 + 1 - star.x, g.y0 + g.y1 + 1 - star.y) > 1.2 * star.r);
    return star;
  }

  const SECTORS = 24;
  // A closer look at the part of a picture around a star at (x, y) with radius r: the share of it
  // that is at a colour's limit, how sharp it is, the light of each sector over the usual one's.
  function look(image, { x, y, r }) {
    const { width, height, data } = image;
    const at = (k) => 0.25 * LIGHT[data[k]] + 0.5 * LIGHT[data[k + 1]] + 0.25 * LIGHT[data[k + 2]];
    // Of a large star every second or third pixel tells as much.
    const step = Math.max(1, Math.round(r / 50));
    const row = 4 * width;
    const dark = [];
    for (let v = 0; v < height; v += 4 * step) for (let u = 0; u < width; u += 4 * step) dark.push(at(v * row + 4 * u));
    const sky = quantile(dark, 0.25);
    const sectors = new Float64Array(SECTORS);
    let full = 0; let inside = 0; let steps = 0; let power = 0; let sum = 0; let top = 0;
    for (let v = 1; v < height - 1; v += step)
      for (let u = 1; u < width - 1; u += step) {
        const dx = u + 0.5 - x;
        const dy = v + 0.5 - y;
        if (dx * dx + dy * dy > 1.21 * r * r) continue;
        const k = v * row + 4 * u;
        const s = Math.max(0, at(k) - sky);
        inside += 1; sum += s; power += s * s;
        if (s > top) top = s;
        if (data[k] >= FULL || data[k + 1] >= FULL || data[k + 2] >= FULL) full += 1;
        const gx = at(k + 4) - at(k - 4);
        const gy = at(k + row) - at(k - row);
        steps += gx * gx + gy * gy;
        sectors[Math.floor(((Math.atan2(dx, -dy) / Math.PI + 2) % 2) / 2 * SECTORS) % SECTORS] += s;
      }
    const usual = quantile(sectors, 0.5);
    return {
      full: full / Math.max(1, inside),
      sharp: r * r * steps / Math.max(1e-9, power) / Math.max(1, r),
      mean: sum / Math.max(1, inside),
      top,
      least: usual > 0 ? Math.min(...sectors) / usual : 0,
    };
  }

  // What to do about a star, as a code; "" when it is good. `close` is what look() says, `last` the
  // star of the picture before, `size` of the whole picture in the same pixels.
  function fault(star, close, last, size) {
    if (!star) return "none";
    if (close.full > 0.012) return "bright";
    if (star.other) return "two";
    if (star.edge || Math.abs(star.x - size.width / 2) > 0.3 * size.width || Math.abs(star.y - size.height / 2) > 0.3 * size.height) return "edge";
    if (close.least < 0.4) return "shaded";
    if (star.r < 32 || close.mean < 0.06 * close.top) return "near";
    if (star.r > 0.42 * Math.min(size.width, size.height)) return "wide";
    if (close.top < 0.05) return "faint";
    if (star.drawnOut > 0.12 || (last && Math.hypot(star.x - last.x, star.y - last.y) > 0.2 * star.r)) return "moved";
    return "";
  }

  // The shade test: of two small squares with the star's radius a quarter of their side, without the
  // hand and with it, the direction that went dark (degrees clockwise from up), or why not. The
  // shaded one is laid where its lit part agrees best, since the star wanders.
  const SIDE = 64;
  const WANDER = 9;
  function dark(clear, shaded) {
    const [a, b] = [clear, shaded].map((image) => {
      const all = light(image);
      const [sky] = levels(all, [0.3]);
      return all.map((v) => v - sky);
    });
    const lit = [];
    let top = 0;
    for (const v of b) if (v > top) top = v;
    let own = 0;
    for (let i = 0; i < b.length; i += 1) if (b[i] > 0.25 * top) { lit.push(i); own += b[i] * b[i]; }
    const at = (of, x, y) => (x >= 0 && y >= 0 && x < SIDE && y < SIDE ? of[y * SIDE + x] : 0);
    let best = { score: 0, dx: 0, dy: 0 };
    for (let dy = -WANDER; dy <= WANDER; dy += 1)
      for (let dx = -WANDER; dx <= WANDER; dx += 1) {
        let both = 0; let norm = 0;
        for (const i of lit) {
          const c = at(a, (i % SIDE) - dx, Math.floor(i / SIDE) - dy);
          both += c * b[i]; norm += c * c;
        }
        const score = both / Math.sqrt(Math.max(1e-12, own * norm));
        if (score > best.score) best = { score, dx, dy };
      }
    const before = new Float64Array(SECTORS);
    const now = new Float64Array(SECTORS);
    for (let y = 0; y < SIDE; y += 1)
      for (let x = 0; x < SIDE; x += 1) {
        const dx = x + 0.5 - SIDE / 2;
        const dy = y + 0.5 - SIDE / 2;
        if (Math.hypot(dx, dy) > 1.15 * SIDE / 4) continue;
        const k = Math.floor(((Math.atan2(dx, -dy) / Math.PI + 2) % 2) / 2 * SECTORS) % SECTORS;
        before[k] += at(a, x, y); now[k] += at(b, x + best.dx, y + best.dy);
      }
    const kept = Array.from(now, (v, k) => Math.max(0, v / Math.max(1e-9, before[k])));
    const whole = quantile(kept, 0.8);
    if (whole < 0.2) return { why: "all" };
    const count = kept.filter((v) => v < 0.55 * whole).length;
    if (count < 2) return { why: "nothing" };
    if (count > 0.75 * SECTORS) return { why: "all" };
    let x = 0; let y = 0; let all = 0;
    kept.forEach((v, k) => {
      const d = Math.min(1, Math.max(0, 1 - v / whole));
      const angle = (k + 0.5) / SECTORS * 2 * Math.PI;
      x += d * Math.sin(angle); y += d * Math.cos(angle); all += d;
    });
    if (Math.hypot(x, y) < 0.3 * all) return { why: "round" };
    return { deg: (Math.atan2(x, y) * 180 / Math.PI + 360) % 360 };
  }

  return { find, look, fault, dark, SIDE };
})();
