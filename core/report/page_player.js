// SPDX-License-Identifier: GPL-3.0-or-later
// The player of the report page. Layout of the packed parts: see page.py and page_picture.py.
"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const about = JSON.parse(byId("about").textContent);
  const lastPlace = Math.max(0, Math.floor((about.last - about.first) / about.step));
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const colours = { curve: "#93c7e6", over: "#ff9c86", lamp: "#e9bd6c", quiet: "#b4b3ae" };

  // --- unpacking ---------------------------------------------------------------------

  const bytesOf = (base64) => {
    const text = atob(base64);
    const bytes = new Uint8Array(text.length);
    for (let at = 0; at < text.length; at++) bytes[at] = text.charCodeAt(at);
    return bytes;
  };

  async function unpack(id) {
    const bytes = bytesOf(byId(id).textContent);
    if (typeof DecompressionStream === "undefined") return inflate(bytes);
    let stream;
    try {
      stream = new DecompressionStream("deflate-raw");
    } catch {
      return inflate(bytes); // a browser that knows the other forms only
    }
    const writer = stream.writable.getWriter();
    writer.write(bytes).catch(() => {});
    writer.close().catch(() => {});
    const pieces = [];
    let size = 0;
    const reader = stream.readable.getReader();
    for (;;) {
      const { done, value } = await reader.read();
      if (done) break;
      pieces.push(value);
      size += value.length;
    }
    const whole = new Uint8Array(size);
    let at = 0;
    for (const piece of pieces) {
      whole.set(piece, at);
      at += piece.length;
    }
    return whole;
  }

  // RFC 1951, for browsers without DecompressionStream.
  function inflate(bytes) {
    const lengthBase = [], lengthExtra = [], distanceBase = [], distanceExtra = [];
    for (let code = 0, base = 3; code < 28; code++) {
      lengthExtra[code] = code < 8 ? 0 : (code - 4) >> 2;
      lengthBase[code] = base;
      base += 1 << lengthExtra[code];
    }
    lengthBase[28] = 258;
    lengthExtra[28] = 0;
    for (let code = 0, base = 1; code < 30; code++) {
      distanceExtra[code] = code < 4 ? 0 : (code - 2) >> 1;
      distanceBase[code] = base;
      base += 1 << distanceExtra[code];
    }
    let at = 0, bits = 0, held = 0, size = 0;
    let out = new Uint8Array(bytes.length * 4 + 1024);
    const take = (count) => {
      while (held < count) {
        if (at >= bytes.length) throw new Error("The packed part ends too early.");
        bits |= bytes[at++] << held;
        held += 8;
      }
      const value = bits & ((1 << count) - 1);
      bits >>>= count;
      held -= count;
      return value;
    };
    const room = (count) => {
      if (size + count <= out.length) return;
      const larger = new Uint8Array(Math.max(out.length * 2, size + count));
      larger.set(out.subarray(0, size));
      out = larger;
    };
    // Canonical codes: how many of each length, and the symbols in the order of their codes.
    const tree = (lengths) => {
      const counts = new Uint16Array(16), starts = new Uint16Array(16);
      for (const length of lengths) counts[length]++;
      counts[0] = 0;
      for (let length = 1; length < 15; length++) starts[length + 1] = starts[length] + counts[length];
      const symbols = new Uint16Array(lengths.length);
      lengths.forEach((length, symbol) => { if (length) symbols[starts[length]++] = symbol; });
      return { counts, symbols };
    };
    const symbolOf = ({ counts, symbols }) => {
      let code = 0, first = 0, index = 0;
      for (let length = 1; length < 16; length++) {
        code |= take(1);
        const count = counts[length];
        if (code - count < first) return symbols[index + code - first];
        index += count;
        first = (first + count) << 1;
        code <<= 1;
      }
      throw new Error("The packed part is damaged.");
    };
    const fixed = [
      tree(Array.from({ length: 288 }, (_, s) => (s < 144 ? 8 : s < 256 ? 9 : s < 280 ? 7 : 8))),
      tree(Array(30).fill(5)),
    ];
    const order = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15];
    const dynamic = () => {
      const literals = take(5) + 257, distances = take(5) + 1, known = take(4) + 4;
      const first = Array(19).fill(0);
      for (let rank = 0; rank < known; rank++) first[order[rank]] = take(3);
      const codes = tree(first);
      const lengths = [];
      while (lengths.length < literals + distances) {
        const symbol = symbolOf(codes);
        if (symbol < 16) lengths.push(symbol);
        else {
          const value = symbol === 16 ? lengths[lengths.length - 1] : 0;
          const count = symbol === 16 ? 3 + take(2) : symbol === 17 ? 3 + take(3) : 11 + take(7);
          for (let rank = 0; rank < count; rank++) lengths.push(value);
        }
      }
      return [tree(lengths.slice(0, literals)), tree(lengths.slice(literals))];
    };
    for (let final = 0; !final;) {
      final = take(1);
      const kind = take(2);
      if (kind === 0) {
        bits = held = 0;
        const length = bytes[at] | (bytes[at + 1] << 8);
        at += 4;
        room(length);
        out.set(bytes.subarray(at, at + length), size);
        at += length;
        size += length;
        continue;
      }
      if (kind === 3) throw new Error("The packed part is damaged.");
      const [literal, distance] = kind === 1 ? fixed : dynamic();
      for (;;) {
        const symbol = symbolOf(literal);
        if (symbol === 256) break;
        if (symbol < 256) {
          room(1);
          out[size++] = symbol;
          continue;
        }
        const length = lengthBase[symbol - 257] + take(lengthExtra[symbol - 257]);
        const code = symbolOf(distance);
        const back = distanceBase[code] + take(distanceExtra[code]);
        room(length);
        for (let rank = 0; rank < length; rank++, size++) out[size] = out[size - back];
      }
    }
    return out.slice(0, size);
  }

  // --- pictures ----------------------------------------------------------------------

  const projectors = about.projectors.map((row, index) => ({
    ...row, index, chunks: new Map(), figures: null, rankOf: new Map(),
  }));

  const leb = (bytes, cursor) => {
    let value = 0, shift = 0, byte;
    do {
      byte = bytes[cursor.at++];
      value += (byte & 127) * 2 ** shift;
      shift += 7;
    } while (byte > 127);
    return value;
  };

  function chunkOf(projector, number) {
    let chunk = projector.chunks.get(number);
    if (chunk === undefined) {
      const id = `chunk-${projector.index}-${number}`;
      if (byId(id) === null) return null;
      chunk = { bytes: null, starts: [], ready: null };
      chunk.ready = unpack(id).then((bytes) => {
        const cursor = { at: 0 };
        while (cursor.at < bytes.length) {
          const length = leb(bytes, cursor);
          chunk.starts.push(cursor.at);
          cursor.at += length;
        }
        chunk.bytes = bytes;
      });
      projector.chunks.set(number, chunk);
    }
    return chunk;
  }

  const rankAt = (projector, place) => projector.rankOf.get(about.first + place * about.step);

  /** The polylines of a frame: [] where there is none, a promise where it is not unpacked yet. */
  function pictureAt(projector, place) {
    const rank = rankAt(projector, place);
    if (rank === undefined) return [];
    const chunk = chunkOf(projector, Math.floor(rank / about.chunkFrames));
    if (chunk === null) return [];
    if (chunk.bytes === null) return chunk.ready;
    const bytes = chunk.bytes;
    const cursor = { at: chunk.starts[rank % about.chunkFrames] + 2 };
    const lines = [];
    let colour = 0, x = 0, y = 0;
    for (let count = leb(bytes, cursor); count > 0; count--) {
      const head = leb(bytes, cursor);
      if (head & 1) colour = leb(bytes, cursor);
      const vertices = new Float32Array(head & ~1);
      for (let at = 0; at < vertices.length; at += 2) {
        const dx = leb(bytes, cursor), dy = leb(bytes, cursor);
        vertices[at] = (x += (dx >> 1) ^ -(dx & 1)) / 2047;
        vertices[at + 1] = (y += (dy >> 1) ^ -(dy & 1)) / 2047;
      }
      lines.push({ colour, vertices });
    }
    return lines;
  }

  const aspect = (() => {
    const [x, y] = about.extent;
    return Math.min(2.4, Math.max(1, (x || 1) / (y || x || 1)));
  })();
  const halfWidth = 1.06 * Math.max(about.extent[0], about.extent[1] * aspect, 0.1);

  function fit(canvas, width, height) {
    const ratio = window.devicePixelRatio || 1;
    const w = Math.max(1, Math.round(width * ratio)), h = Math.max(1, Math.round(height * ratio));
    if (canvas.width !== w || canvas.height !== h) {
      canvas.width = w;
      canvas.height = h;
    }
  }

  const cssColour = (packed) => {
    const part = (shift) => Math.round(((packed >> shift) & 31) * 255 / 31);
    return `rgb(${part(10)} ${part(5)} ${part(0)})`;
  };

  /** Draw pictures as light: what overlaps adds up, with a soft halo around each line. */
  function paint(canvas, pictures, darkWays) {
    const pen = canvas.getContext("2d");
    const scale = Math.min(canvas.width / (2 * halfWidth), canvas.height * aspect / (2 * halfWidth));
    const cx = canvas.width / 2, cy = canvas.height / 2;
    pen.globalCompositeOperation = "source-over";
    pen.globalAlpha = 1;
    pen.fillStyle = "#04050a";
    pen.fillRect(0, 0, canvas.width, canvas.height);
    const paths = new Map();
    const ways = new Path2D();
    for (const lines of pictures) {
      let from = null;
      for (const { colour, vertices } of lines) {
        let path = paths.get(colour);
        if (path === undefined) paths.set(colour, (path = new Path2D()));
        for (let at = 0; at < vertices.length; at += 2) {
          const x = cx + vertices[at] * scale, y = cy - vertices[at + 1] * scale;
          if (at === 0) {
            path.moveTo(x, y);
            if (from !== null) {
              ways.moveTo(from[0], from[1]);
              ways.lineTo(x, y);
            }
          }
          // A beam that stands still makes a dot: a line of hardly any length.
          path.lineTo(at ? x : x + 0.01, y);
          from = [x, y];
        }
      }
    }
    pen.lineCap = pen.lineJoin = "round";
    const unit = Math.max(0.7, scale / 420);
    if (darkWays) {
      pen.globalAlpha = 1;
      pen.strokeStyle = "#8a8f9c";
      pen.lineWidth = Math.max(1, unit * 0.8);
      pen.setLineDash([2 * unit, 5 * unit]);
      pen.stroke(ways);
      pen.setLineDash([]);
    }
    pen.globalCompositeOperation = "lighter";
    for (const [width, alpha] of [[9, 0.07], [4.4, 0.16], [1.5, 1]]) {
      pen.lineWidth = width * unit;
      pen.globalAlpha = alpha;
      for (const [colour, path] of paths) {
        pen.strokeStyle = cssColour(colour);
        pen.stroke(path);
      }
    }
  }

  // --- state -------------------------------------------------------------------------

  const state = { place: 0, playing: false, accepted: false, only: -1, since: 0, from: 0 };
  const picture = byId("picture"), stage = byId("stage"), scrub = byId("scrub");
  const speed = byId("speed"), which = byId("which"), loop = byId("loop"), ways = byId("ways");
  const secondsAt = (place) => place * about.step / about.fps;
  const frameAt = (place) => about.first + place * about.step;
  const placeOf = (frame) =>
    Math.min(lastPlace, Math.max(0, Math.round((frame - about.first) / about.step)));

  const timeText = (place) => {
    const tenths = Math.floor(secondsAt(place) * 10 + 1e-6);
    return `${Math.floor(tenths / 600)}:${String(Math.floor(tenths / 10) % 60).padStart(2, "0")}.${tenths % 10}`;
  };
  const shown = () => projectors.filter((row) => state.only < 0 || row.index === state.only);

  let asked = 0;
  function drawPicture() {
    const request = ++asked;
    const pictures = shown().map((row) => pictureAt(row, state.place));
    const waiting = pictures.filter((lines) => lines instanceof Promise);
    if (waiting.length) {
      Promise.all(waiting).then(() => { if (request === asked) drawPicture(); }, failed);
      return;
    }
    paint(picture, pictures, ways.checked);
    // What comes next is unpacked while this is looked at.
    for (const row of shown()) {
      const rank = rankAt(row, state.place);
      if (rank !== undefined) chunkOf(row, Math.floor(rank / about.chunkFrames) + 1);
    }
    document.documentElement.dataset.drawn = String(frameAt(state.place));
  }

  const valueText = () => {
    const parts = [`frame ${frameAt(state.place)}, ${timeText(state.place)}`];
    for (const row of projectors) {
      const rank = rankAt(row, state.place);
      if (rank === undefined || row.figures === null) continue;
      const { points, budget } = row.figures;
      parts.push(`${row.name} ${points[rank]} of ${budget[rank]} points`
        + (points[rank] > budget[rank] ? ", over budget" : ""));
    }
    return parts.join("; ");
  };

  let toldAt = -1e9;
  function tell(now) {
    const clock = byId("clock");
    clock.replaceChildren();
    const bold = document.createElement("b");
    bold.textContent = timeText(state.place);
    clock.append(bold, ` frame ${frameAt(state.place)} of ${about.last}`);
    scrub.value = String(state.place);
    const share = lastPlace ? state.place / lastPlace : 0;
    byId("head").style.left = `calc(var(--names) + (100% - var(--names)) * ${share})`;
    // Figures that change faster than can be read help nobody.
    if (state.playing && now - toldAt < 200) return;
    toldAt = now;
    scrub.setAttribute("aria-valuetext", valueText());
    picture.setAttribute("aria-label",
      `Picture of ${shown().map((row) => row.name).join(" and ")} at frame ${frameAt(state.place)}`);
    for (const row of projectors) tellProjector(row);
  }

  function tellProjector(row) {
    if (row.figures === null) return;
    const rank = rankAt(row, state.place);
    const { points, budget, lit, strokes, coarser, dropped, darkened, cost } = row.figures;
    const none = rank === undefined;
    const over = !none && points[rank] > budget[rank];
    const hertz = none ? 0 : row.rate / points[rank];
    const dark = !none && lit[rank] === 0;
    row.laneNote.textContent = none ? "no frame" : `${over ? "▲ " : ""}${points[rank]} of ${budget[rank]} points`;
    row.laneNote.className = over ? "warn" : "";
    row.laneRefresh.textContent = none ? "" : dark ? "dark" : `${hertz.toFixed(1)} Hz of ${row.target} Hz asked`;
    row.nowText.textContent = none ? "No frame here." : dark ? "Dark." :
      `${points[rank]} points (${lit[rank]} lit) in ${strokes[rank]} strokes, drawn ${hertz.toFixed(1)} times a second.`;
    const remarks = [];
    if (over) remarks.push(`▲ Over the budget of ${budget[rank]} points.`);
    if (!none && coarser[rank]) remarks.push(`Drawn coarser to fit (${coarser[rank]} % of what is allowed).`);
    if (!none && dropped[rank]) remarks.push(`${dropped[rank]} strokes left out.`);
    if (!none && darkened[rank]) remarks.push(`${darkened[rank]} points switched off for safety.`);
    row.nowRemark.textContent = remarks.join(" ");
    row.nowRemark.className = over ? "warn" : "";
    const ranked = none ? [] : Object.entries(cost).map(([name, column]) => [name, column[rank]])
      .filter(([, amount]) => amount > 0).sort((a, b) => b[1] - a[1]).slice(0, 8);
    const bars = ranked.map(([name, amount]) => {
      const line = document.createElement("li");
      for (const [kind, text] of [["label", name], ["bar", ""], ["amount", String(amount)]]) {
        const part = document.createElement("span");
        part.className = kind;
        part.textContent = text;
        if (kind === "label") part.title = name;
        if (kind === "bar") part.style.width = `${100 * amount / ranked[0][1]}%`;
        line.append(part);
      }
      return line;
    });
    row.nowBars.replaceChildren(...bars);
  }

  function show(place) {
    state.place = Math.min(lastPlace, Math.max(0, place));
    drawPicture();
    tell(performance.now());
  }

  function seek(place) {
    show(place);
    restart();
  }

  const remark = (text) => { byId("remark").textContent = text; };
  const failed = (error) => {
    pause();
    remark(`The page can't be played: ${error.message} It may be damaged; ask for it again.`);
  };

  // --- playing and sound -------------------------------------------------------------

  let sound = null, soundWorks = false;
  if (about.sound !== null) {
    sound = new Audio();
    sound.preload = "auto";
    sound.addEventListener("canplay", () => {
      soundWorks = true;
      byId("sound-box").hidden = false;
    });
    sound.addEventListener("error", () => {
      soundWorks = false;
      remark(`The soundtrack ${about.sound.name} isn't there; put it beside this page. The picture plays without.`);
    });
    sound.src = about.sound.source;
    sound.volume = Number(byId("volume").value);
    byId("volume").addEventListener("input", () => { sound.volume = Number(byId("volume").value); });
  }
  const soundTime = (seconds) => seconds - (about.sound.start - about.first) / about.fps;

  /** Start the clock, and the sound, from the frame that is shown. */
  function restart() {
    state.from = secondsAt(state.place);
    state.since = performance.now();
    if (!soundWorks) return;
    const at = soundTime(state.from);
    sound.playbackRate = Number(speed.value);
    if (at >= 0 && at < sound.duration) sound.currentTime = at;
    if (state.playing && at >= 0 && at < sound.duration) sound.play().catch(() => {});
    else sound.pause();
  }

  function secondsNow(now) {
    if (soundWorks && !sound.paused && !sound.ended && !sound.seeking) {
      // The ear notices what the eye forgives: the sound leads.
      return sound.currentTime - soundTime(0);
    }
    return state.from + (now - state.since) / 1000 * Number(speed.value);
  }

  function step(now) {
    if (!state.playing) return;
    if (soundWorks && sound.paused && sound.currentTime === 0 && soundTime(secondsNow(now)) >= 0
        && soundTime(secondsNow(now)) < 0.5) {
      state.place = Math.floor(secondsNow(now) * about.fps / about.step + 1e-6);
      restart();
    }
    const place = Math.floor(secondsNow(now) * about.fps / about.step + 1e-6);
    if (place > lastPlace) {
      if (!loop.checked) {
        show(lastPlace);
        pause();
        return;
      }
      seek(0);
    } else if (place !== state.place) {
      show(place);
    }
    requestAnimationFrame(step);
  }

  function setPlaying(playing) {
    state.playing = playing;
    byId("play-label").textContent = playing ? "Pause" : "Play";
    byId("play-shape").setAttribute("d", playing ? "M3 2h4v12H3zM9 2h4v12H9z" : "M4 2l10 6-10 6z");
  }

  function play() {
    if (!state.accepted) {
      byId("caution").hidden = false;
      byId("go").focus();
      return;
    }
    if (state.place >= lastPlace) show(0);
    setPlaying(true);
    restart();
    requestAnimationFrame(step);
  }

  function pause() {
    setPlaying(false);
    if (sound !== null) sound.pause();
    tell(performance.now());
  }

  const toggle = () => (state.playing ? pause() : play());

  // --- controls ----------------------------------------------------------------------

  byId("play").addEventListener("click", toggle);
  byId("back").addEventListener("click", () => { pause(); seek(state.place - 1); });
  byId("forth").addEventListener("click", () => { pause(); seek(state.place + 1); });
  byId("go").addEventListener("click", () => {
    state.accepted = true;
    byId("caution").hidden = true;
    byId("play").focus();
    play();
  });
  byId("stay").addEventListener("click", () => {
    byId("caution").hidden = true;
    byId("play").focus();
  });
  scrub.max = String(lastPlace);
  scrub.addEventListener("input", () => seek(Number(scrub.value)));
  speed.addEventListener("change", restart);
  ways.addEventListener("change", drawPicture);
  which.append(...[["-1", "All together"], ...projectors.map((row) => [row.index, row.name])]
    .map(([value, text]) => new Option(text, value)));
  which.addEventListener("change", () => {
    state.only = Number(which.value);
    show(state.place);
  });
  const choose = (index) => {
    which.value = String(index);
    which.dispatchEvent(new Event("change"));
  };
  const full = () => (document.fullscreenElement ? document.exitFullscreen() : stage.requestFullscreen());
  byId("full").addEventListener("click", full);
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".seek");
    if (button === null) return;
    seek(placeOf(Number(button.dataset.frame)));
    if (button.classList.contains("still")) {
      stage.scrollIntoView({ behavior: calm.matches ? "auto" : "smooth", block: "start" });
    }
  });

  const stops = [...new Set([
    0, ...about.scenes.map(([, first]) => placeOf(first)), ...about.cues.map(([, frame]) => placeOf(frame)), lastPlace,
  ])].sort((a, b) => a - b);
  const faster = (by) => {
    const index = speed.selectedIndex + by;
    if (index >= 0 && index < speed.options.length) {
      speed.selectedIndex = index;
      restart();
    }
  };
  const second = Math.max(1, Math.round(about.fps / about.step));
  const keys = {
    " ": toggle,
    ArrowLeft: (event) => seek(state.place - (event.shiftKey ? second : 1)),
    ArrowRight: (event) => seek(state.place + (event.shiftKey ? second : 1)),
    Home: () => seek(0),
    End: () => seek(lastPlace),
    PageUp: () => seek(stops.findLast((place) => place < state.place) ?? 0),
    PageDown: () => seek(stops.find((place) => place > state.place) ?? lastPlace),
    "+": () => faster(1),
    "-": () => faster(-1),
    r: () => { loop.checked = !loop.checked; },
    b: () => { ways.checked = !ways.checked; drawPicture(); },
    f: full,
    Escape: () => { byId("caution").hidden = true; },
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const target = event.target;
    // A button answers to the space bar itself, a list to its arrows.
    const own = target.matches("button, summary, [type=checkbox]") ? [" "]
      : target.matches("select, #volume") ? [" ", "ArrowLeft", "ArrowRight", "Home", "End", "PageUp", "PageDown"] : [];
    if (own.includes(event.key)) return;
    const digit = /^[0-9]$/.test(event.key) ? Number(event.key) - 1 : NaN;
    const action = digit < projectors.length ? () => choose(digit) : keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (action === undefined) return;
    event.preventDefault();
    action(event);
  });

  // --- the timeline ------------------------------------------------------------------

  const element = (tag, className, text) => {
    const made = document.createElement(tag);
    if (className) made.className = className;
    if (text !== undefined) made.textContent = text;
    return made;
  };

  function addLane(title) {
    const lane = element("div", "lane");
    const name = element("div", "name", title);
    const track = element("div", "track");
    lane.append(name, track);
    byId("lanes").append(lane);
    return { name, track };
  }

  const percent = (place) => (lastPlace ? 100 * place / lastPlace : 0);
  if (about.scenes.length) {
    const { track } = addLane("Scenes");
    for (const [name, first, last] of about.scenes) {
      const button = element("button", "scene seek", name);
      button.type = "button";
      button.dataset.frame = first;
      button.title = `${name}: frames ${first} to ${last}`;
      button.style.left = `${percent(placeOf(first))}%`;
      button.style.width = `max(3px, ${Math.min(100, percent(placeOf(last) + 1)) - percent(placeOf(first))}%)`;
      track.append(button);
    }
  }
  if (about.cues.length) {
    const { track } = addLane("Cues");
    about.cues.forEach(([name, frame], index) => {
      const next = index + 1 < about.cues.length ? about.cues[index + 1][1] : about.last;
      // The last one may be as long as it likes, unless it stands at the right end.
      const room = percent(placeOf(next)) - percent(placeOf(frame));
      const near = room < 7;
      const button = element("button", near ? "cue seek bare" : "cue seek", name);
      button.type = "button";
      button.dataset.frame = frame;
      button.title = button.ariaLabel = `${name}, frame ${frame}`;
      button.style.left = `${percent(placeOf(frame))}%`;
      if (!near) button.style.maxWidth = `min(9rem, ${room}% - 3px)`;
      track.append(button);
    });
  }
  for (const row of projectors) {
    const { name, track } = addLane(row.name);
    row.laneNote = element("small");
    const note = element("small");
    note.append(row.laneNote);
    row.laneNote.style.display = "inline";
    row.laneRefresh = element("small");
    name.append(note, row.laneRefresh);
    row.curve = element("canvas");
    row.curve.setAttribute("role", "img");
    track.append(row.curve);
    const now = element("div");
    row.nowText = element("p");
    row.nowRemark = element("p");
    row.nowBars = element("ol", "bars");
    row.nowBars.setAttribute("aria-label", "Points of each object");
    now.append(element("h3", "", row.name), row.nowText, row.nowRemark, row.nowBars);
    byId("now").append(now);
  }

  function drawCurve(row) {
    const { figures, curve } = row;
    if (figures === null) return;
    fit(curve, curve.clientWidth, curve.clientHeight);
    const pen = curve.getContext("2d");
    const ratio = window.devicePixelRatio || 1;
    const w = curve.width, h = curve.height, floor = h - 9 * ratio;
    pen.clearRect(0, 0, w, h);
    const { points, budget, coarser, dropped } = figures;
    const top = 1.18 * points.reduce((a, b) => Math.max(a, b), Math.max(row.budget, 1));
    const yOf = (value) => floor - value / top * (floor - 2 * ratio);
    // Each column of pixels shows the most and least of the frames in it.
    const least = new Float64Array(w).fill(Infinity), most = new Float64Array(w).fill(-1);
    const over = new Uint8Array(w), coarse = new Uint8Array(w);
    figures.frame.forEach((frame, rank) => {
      const place = placeOf(frame);
      const from = lastPlace ? Math.floor((place - 0.5) / lastPlace * (w - 1)) : 0;
      const to = lastPlace ? Math.ceil((place + 0.5) / lastPlace * (w - 1)) : w - 1;
      for (let x = Math.max(0, from); x <= Math.min(w - 1, to); x++) {
        least[x] = Math.min(least[x], points[rank]);
        most[x] = Math.max(most[x], points[rank]);
        if (points[rank] > budget[rank]) over[x] = 1;
        if (coarser[rank] || dropped[rank]) coarse[x] = 1;
      }
    });
    pen.fillStyle = "rgb(147 199 230 / .22)";
    for (let x = 0; x < w; x++) if (most[x] >= 0) pen.fillRect(x, yOf(most[x]), 1, floor - yOf(most[x]));
    pen.fillStyle = colours.curve;
    for (let x = 0; x < w; x++) {
      if (most[x] < 0) continue;
      const high = yOf(most[x]), low = yOf(least[x]);
      pen.fillRect(x, high - ratio * 0.75, 1, Math.max(1.5 * ratio, low - high));
    }
    // Over budget: hatching and a mark, so that it does not hang on colour alone.
    pen.save();
    pen.beginPath();
    for (let x = 0; x < w; x++) if (over[x]) pen.rect(x, 0, 1, floor);
    pen.clip();
    pen.strokeStyle = colours.over;
    pen.lineWidth = ratio;
    pen.beginPath();
    for (let x = -h; x < w; x += 6 * ratio) {
      pen.moveTo(x, floor);
      pen.lineTo(x + floor, 0);
    }
    pen.stroke();
    pen.restore();
    pen.fillStyle = colours.over;
    pen.font = `${12 * ratio}px system-ui, sans-serif`;
    pen.textBaseline = "top";
    pen.textAlign = "center";
    for (let x = 0, free = 0; x < w; x++) {
      if (!over[x] || (x > 0 && over[x - 1])) continue;
      let end = x;
      while (end < w && over[end]) end++;
      const middle = Math.min(w - 7 * ratio, Math.max(7 * ratio, (x + end) / 2));
      if (middle >= free) {
        pen.fillText("▲", middle, 0);
        free = middle + 14 * ratio;
      }
    }
    pen.fillStyle = colours.lamp;
    for (let x = 0; x < w; x++) if (coarse[x]) pen.fillRect(x, h - 6 * ratio, 1, 4 * ratio);
    const line = yOf(row.budget);
    pen.strokeStyle = colours.lamp;
    pen.lineWidth = ratio;
    pen.setLineDash([6 * ratio, 4 * ratio]);
    pen.beginPath();
    pen.moveTo(0, line);
    pen.lineTo(w, line);
    pen.stroke();
    pen.setLineDash([]);
    pen.textAlign = "right";
    pen.textBaseline = "bottom";
    pen.fillStyle = colours.lamp;
    const text = `budget ${row.budget} = ${row.target} Hz`;
    pen.fillText(text, w - 4 * ratio, line - 2 * ratio);
    const overCount = points.filter((value, rank) => value > budget[rank]).length;
    curve.setAttribute("aria-label", `Points of ${row.name} over time: at most `
      + `${Math.max(...points.slice(0, 1), points.reduce((a, b) => Math.max(a, b), 0))} of ${row.budget}, `
      + `${overCount} frames over budget`);
  }

  async function drawStills() {
    for (const canvas of document.querySelectorAll("[data-still]")) {
      const place = placeOf(Number(canvas.dataset.still));
      const pictures = [];
      for (const row of projectors) {
        const lines = pictureAt(row, place);
        if (lines instanceof Promise) await lines;
        pictures.push(pictureAt(row, place));
      }
      canvas.style.aspectRatio = String(aspect);
      fit(canvas, canvas.clientWidth, canvas.clientWidth / aspect);
      paint(canvas, pictures, false);
    }
    document.documentElement.dataset.stills = "drawn";
  }

  function layOut() {
    const fullScreen = document.fullscreenElement === stage;
    picture.style.aspectRatio = fullScreen ? "auto" : String(aspect);
    const width = stage.clientWidth;
    const height = fullScreen ? stage.clientHeight : Math.min(width / aspect, innerHeight * 0.66);
    picture.style.height = `${height}px`;
    fit(picture, width, height);
    projectors.forEach(drawCurve);
    drawPicture();
  }

  let waitingToLayOut = 0;
  new ResizeObserver(() => {
    cancelAnimationFrame(waitingToLayOut);
    waitingToLayOut = requestAnimationFrame(layOut);
  }).observe(stage);

  if (calm.matches) {
    speed.value = "0.25";
    byId("calm").hidden = false;
  }
  const decoder = new TextDecoder();
  Promise.all(projectors.map(async (row) => {
    row.figures = JSON.parse(decoder.decode(await unpack(`figures-${row.index}`)));
    row.figures.frame.forEach((frame, rank) => row.rankOf.set(frame, rank));
  })).then(() => {
    layOut();
    tell(performance.now());
    document.documentElement.dataset.ready = String(Math.round(performance.now()));
    return drawStills();
  }).catch(failed);
})();
