// The live page: draws what the bench tells over one WebSocket, and says so when it tells nothing.
"use strict";
(() => {
  const by = id => document.getElementById(id);
  const QUIET_MS = 6000;          // the bench tells something every two seconds
  const LONGEST_WAIT_MS = 5000;
  const REFUSED = 4001, FULL = 4004;
  let socket = null, tries = 0, heardAt = 0, lastView = null, closed = false, paired = false;
  let code = new URLSearchParams(location.hash.slice(1)).get("code");
  if (location.hash) history.replaceState(null, "", location.pathname);

  const kept = {
    get ticket() { try { return localStorage.getItem("leafcall ticket"); } catch { return this.own; } },
    set ticket(value) {
      this.own = value;
      try { value ? localStorage.setItem("leafcall ticket", value) : localStorage.removeItem("leafcall ticket"); } catch { /* kept in this page only */ }
    },
  };

  // --- the socket --------------------------------------------------------------------------

  const connect = () => {
    socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live`);
    socket.binaryType = "arraybuffer";
    heardAt = performance.now();
    socket.onopen = () => pair();
    socket.onmessage = message => {
      heardAt = performance.now();
      if (typeof message.data === "string") take(JSON.parse(message.data));
      else document.dispatchEvent(new CustomEvent("reply-sound", { detail: message.data }));
    };
    socket.onclose = event => {
      paired = false;
      document.dispatchEvent(new CustomEvent("bench-lost", { detail: { closed } }));
      lost(event.code);
    };
  };
  const pair = typed => {
    const told = { t: "pair" };
    if (typed || code) told.code = typed || code;
    else if (kept.ticket) told.ticket = kept.ticket;
    else { showDoor(""); return; }
    code = null;
    socket.send(JSON.stringify(told));
  };
  const lost = reason => {
    tries += 1;
    const wait = Math.min(LONGEST_WAIT_MS, 400 * 2 ** Math.min(tries, 5)) * (0.7 + Math.random() * 0.6);
    if (!closed) {
      const since = lastView ? ` What you see is from ${lastView}.` : "";
      const why = reason === FULL ? "Too many pages are open." : "The bench cannot be reached.";
      cut(`${why} Trying again.${since}`);
    }
    mode(closed ? "wrapped up" : "not connected", closed ? "" : "alert");
    setTimeout(connect, reason === REFUSED ? LONGEST_WAIT_MS : wait);
  };
  setInterval(() => {
    if (socket && socket.readyState < 2 && performance.now() - heardAt > QUIET_MS && (paired || socket.readyState === 0)) {
      const old = socket;
      old.onclose = old.onmessage = null;
      old.close();
      paired = false;
      document.dispatchEvent(new CustomEvent("bench-lost", { detail: { closed } }));
      lost(0);
    }
  }, 1000);
  window.leafcall = { send: message => { if (paired && socket.readyState === 1) socket.send(message); return paired; }, waiting: () => socket ? socket.bufferedAmount : 0, quietMs: () => performance.now() - heardAt };

  const take = told => {
    if (told.t === "hello") {
      if (told.build !== document.body.dataset.build) { location.reload(); return; }
      kept.ticket = told.ticket;
      paired = true;
      tries = 0;
      cut("");
      by("door").hidden = true;
      by("bench").hidden = false;
      document.dispatchEvent(new CustomEvent("bench-here", { detail: told }));
      awake();
    } else if (told.t === "refused") {
      if (!told.code) kept.ticket = "";
      showDoor(told.code ? "That code is not the one in the terminal." : "");
    } else if (told.t === "view") view(told);
    else if (told.t === "pulse") pulse(told);
    else if (told.t !== "beat") document.dispatchEvent(new CustomEvent("bench-told", { detail: told }));
  };

  // --- the door ----------------------------------------------------------------------------

  const showDoor = told => {
    by("bench").hidden = true;
    by("door").hidden = false;
    by("refused").textContent = told;
    mode("not paired", "");
    cut("");
    by("code").focus();
  };
  by("pair").addEventListener("submit", event => {
    event.preventDefault();
    const typed = by("code").value.trim();
    if (typed && socket.readyState === 1) pair(typed);
  });

  // --- what is seen ------------------------------------------------------------------------

  const set = (id, text) => { const at = by(id); if (at.textContent !== text) at.textContent = text; };
  const mode = (text, kind) => { set("mode", text); by("mode").className = `mode ${kind}`; };
  const cut = text => {
    by("lost").hidden = !text;
    set("lost", text);
    document.body.classList.toggle("stale", Boolean(text));
  };
  const list = (id, texts) => {
    const at = by(id);
    if (at.dataset.told === JSON.stringify(texts)) return;
    at.dataset.told = JSON.stringify(texts);
    at.replaceChildren(...texts.map(text => Object.assign(document.createElement("li"), { textContent: text })));
  };

  let shown = null, alarm = "";
  const view = told => {
    if (!told.ready) return;
    shown = told;
    closed = told.closed;
    lastView = new Date().toLocaleTimeString([], { hourCycle: "h23" });
    set("job", told.job);
    document.title = `${told.job}: ${told.ring}`;
    verdict(told.verdict);
    set("place", told.place ? `${told.place}. Large figures: ${told.figures}.` : "");
    set("gap", told.gap || "-"); set("window", told.window || "-"); set("more", told.more || "-");
    set("heard", told.heard);
    set("sure", [told.sure === null ? "" : `${told.sure} % sure`, told.effect ? `no effect: ${told.effect}` : ""].filter(Boolean).join(", "));
    set("says", told.says);
    set("question", told.question);
    by("question").hidden = !told.question;
    by("says").parentElement.hidden = told.says === told.question && Boolean(told.question);
    plot(told.plot);
    map();
    far();
  };
  const verdict = told => {
    by("verdict").className = `verdict grade-${told.grade}`;
    by("grade").replaceChildren(sign(`grade-${told.grade}`));
    set("verdict-words", told.words);
    set("progress", [closed ? "Session wrapped up." : "", told.progress ? `${told.progress}.` : ""].filter(Boolean).join(" "));
  };
  const pulse = told => {
    mode(told.mode, told.alert ? "alert" : told.hears ? "hears" : "");
    if (alarm !== told.alert) { alarm = told.alert; far(); }
    list("troubles", told.troubles);
    list("cautions", told.cautions);
    by("mic").hidden = !told.mic;
    by("level").style.width = `${told.level ?? 0}%`;
    by("noise").style.left = `${told.noise ?? 0}%`;
    by("noise").hidden = told.noise === null;
    set("mic-word", told.level === null ? "no sound comes in" : told.word);
  };

  // The three large lines: each as wide as the column, the step the largest, none of them too high.
  const far = () => {
    if (!shown) return;
    const box = by("far"), high = innerHeight * (innerWidth > 700 ? 0.62 : 0.5);
    box.classList.toggle("alarm", Boolean(alarm));
    box.classList.toggle("asks", Boolean(shown.question));
    const fit = (id, text, most) => {
      const at = by(id);
      at.parentElement.hidden = !text;
      set(id, text);
      at.style.fontSize = "100px";
      const size = Math.max(18, Math.min(most, 99 * box.clientWidth / (at.getBoundingClientRect().width || 1)));
      at.style.fontSize = `${size}px`;
      return size;
    };
    const step = fit("step", alarm || shown.step, high * 0.42);
    fit("ring", shown.ring, Math.min(high * 0.3, step * 0.85));
    fit("big-gap", alarm ? "" : shown.big_gap, Math.min(high * 0.24, step * 0.85));
  };
  const plot = text => {
    const drawn = text && new DOMParser().parseFromString(text, "text/html").querySelector("svg");
    by("plot").replaceChildren(...(drawn ? [document.importNode(drawn, true)] : []));
    by("no-plot").hidden = Boolean(drawn);
  };

  const make = (name, properties, ...children) => {
    const at = Object.assign(document.createElement(name), properties);
    at.append(...children);
    return at;
  };
  const sign = mark => {
    const from = by(`sign-${mark}`);
    return from ? from.content.cloneNode(true) : document.createTextNode(mark);
  };
  const map = () => {
    if (!shown) return;
    const cylinders = shown.rows.length ? shown.rows[0][1].length : 0;
    const room = by("map").clientWidth - 68;
    const banks = Math.max(1, Math.ceil(cylinders / Math.max(1, Math.floor(room / 38))));
    const each = Math.ceil(cylinders / banks);
    by("map").replaceChildren(...Array.from({ length: banks }, (_, bank) => {
      const first = bank * each, last = Math.min(cylinders, first + each);
      const numbers = Array.from({ length: last - first }, (_, n) => first + n);
      return make("table", { className: "bank" },
        make("caption", { className: "unseen" }, `Cylinders ${first + 1} to ${last}`),
        make("thead", {}, make("tr", {}, make("th", { scope: "col" }, "cyl"), ...numbers.map(n => make("th", { scope: "col" }, `${n + 1}`)))),
        make("tbody", {}, ...shown.rows.map(([name, cells], row) => make("tr", {},
          make("th", { scope: "row" }, name),
          ...numbers.map(n => {
            const here = shown.here && shown.here[0] === row && shown.here[1] === n;
            const [mark, words] = cells[n];
            return make("td", { className: `s-${mark}${here ? " here" : ""}`, title: words },
              sign(mark), make("span", { className: "unseen" }, words + (here ? ", at hand" : "")));
          })))));
    }));
    by("legend").replaceChildren(...Object.entries(shown.signs).map(([mark, word]) =>
      make("li", { className: `s-${mark}` }, sign(mark), make("span", { className: "plain" }, word))));
  };
  let wait = 0;
  addEventListener("resize", () => { clearTimeout(wait); wait = setTimeout(() => { map(); far(); }, 80); });

  // A screen at the bench must not go dark.
  let lock = null;
  const awake = async () => {
    try {
      if (!lock && "wakeLock" in navigator && document.visibilityState === "visible") {
        lock = await navigator.wakeLock.request("screen");
        lock.addEventListener("release", () => { lock = null; });
      }
    } catch { /* the system decides */ }
  };
  document.addEventListener("visibilitychange", () => { if (paired) awake(); });

  connect();
})();
