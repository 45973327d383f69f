// The page as microphone and voice of the bench, once the builder asks for it here.
"use strict";
(() => {
  const by = id => document.getElementById(id);
  const RATE = 16000;
  const MOST_WAITING_S = 1;        // what the network does not take in time is lost, and counted
  const AGAIN_MS = 1500;
  const SLOW_MS = 1500;            // the bench tells its levels ten times a second while it hears
  const AS_IT_IS = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
  const token = [...crypto.getRandomValues(new Uint8Array(16))].map(one => one.toString(16).padStart(2, "0")).join("");
  let wanted = false;              // the builder wants this page to be it
  let ours = false;                // and the bench agrees
  let here = false, taken = false, trouble = "";
  let microphone = null, voice = null, playing = null;
  let number = 0, lost = 0, slow = false;

  const tell = told => leafcall.send(JSON.stringify(told));
  const show = () => {
    const other = taken && !ours;
    by("take").textContent = wanted ? "Stop talking from here" : "Talk from here";
    by("take").disabled = !here || (other && !wanted);
    by("take").classList.toggle("second", wanted);
    by("tap").hidden = !ours;
    const word =
      trouble ? trouble
      : !wanted ? (other ? "Another page is the microphone; this one watches." : "No page is the microphone yet.")
      : !here ? "The network is gone: nothing you say is heard. Waiting for it."
      : !ours ? (other ? "Another page is the microphone. Waiting." : "Asking the bench.")
      : slow ? "The network is slow: what you say comes late."
      : `This page is microphone and voice.${lost ? ` Sound lost on the way: ${(lost / 50).toFixed(1)} s.` : ""}`;
    if (by("floor-told").textContent !== word) by("floor-told").textContent = word;
    by("talk").classList.toggle("alarm", Boolean(trouble) || (wanted && !ours) || slow);
  };
  setInterval(() => {
    const now = ours && leafcall.quietMs() > SLOW_MS;
    if (now !== slow) { slow = now; show(); }
  }, 300);

  // --- the microphone ------------------------------------------------------------------------

  const listen = async () => {
    if (!navigator.mediaDevices) throw new Error("Browsers give the microphone only over https, or on the machine itself.");
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ audio: { channelCount: 1, ...AS_IT_IS } });
    } catch (error) {
      throw new Error({
        NotAllowedError: "The browser keeps the microphone from this page: allow it beside the address.",
        NotFoundError: "The browser finds no microphone here.",
        NotReadableError: "Another program holds the microphone.",
      }[error.name] ?? `The microphone cannot be opened (${error.name}).`);
    }
    const [track] = stream.getAudioTracks();
    let context = new AudioContext({ sampleRate: RATE }), source;
    try {
      source = context.createMediaStreamSource(stream);
    } catch {                      // a browser that does not convert: the bench will
      await context.close();
      context = new AudioContext();
      source = context.createMediaStreamSource(stream);
    }
    await context.audioWorklet.addModule("/sound.js");
    const node = new AudioWorkletNode(context, "leafcall-sound");
    node.port.onmessage = told => send(told.data);
    source.connect(node).connect(context.destination);  // it gives quiet out, and is kept running
    track.onended = () => stop("The microphone of this page is gone: look at it, then tap again.");
    track.onmute = () => { trouble = "The system has muted the microphone."; show(); };
    track.onunmute = () => { trouble = ""; show(); };
    context.onstatechange = () => { if (wanted && context.state !== "running") context.resume(); };
    return { stream, context, track };
  };
  const send = block => {
    if (!ours) return;
    const at = number++;
    if (leafcall.waiting() > MOST_WAITING_S * 2 * microphone.context.sampleRate) {
      lost += 1;
      show();
      return;
    }
    const message = new Uint8Array(4 + block.byteLength);
    new DataView(message.buffer).setUint32(0, at, true);
    message.set(new Uint8Array(block), 4);
    leafcall.send(message);
  };
  const ask = () => {
    if (wanted && here && microphone) tell({ t: "take floor", token, rate: microphone.context.sampleRate });
  };
  const stop = why => {
    if (wanted && here) tell({ t: "leave floor" });
    wanted = ours = false;
    trouble = why;
    hush();
    if (microphone) {
      microphone.track.onended = microphone.context.onstatechange = null;
      microphone.stream.getTracks().forEach(track => track.stop());
      microphone.context.close();
      microphone = null;
    }
    show();
  };
  by("take").addEventListener("click", async () => {
    if (wanted) { stop(""); return; }
    wanted = true;
    trouble = "";
    lost = 0;
    show();
    voice ??= new AudioContext();
    voice.resume();
    try {
      microphone = await listen();
    } catch (error) {
      stop(error.message);
      return;
    }
    ask();
  });
  by("tap").addEventListener("click", () => tell({ t: "key" }));

  // --- the voice -----------------------------------------------------------------------------

  const hush = () => { if (playing) playing.stop(); };
  const play = (samples, rate, ended) => {
    const sound = voice.createBuffer(1, samples.length, rate);
    sound.copyToChannel(samples, 0);
    const source = new AudioBufferSourceNode(voice, { buffer: sound });
    source.connect(voice.destination);
    source.onended = () => {
      if (playing === source) playing = null;
      // The loudspeaker still has some of it, and so has the microphone.
      setTimeout(ended, 1000 * (voice.outputLatency || voice.baseLatency || 0));
    };
    hush();
    playing = source;
    source.start();
  };
  const alarm = () => {            // the bench cannot say that it is out of reach
    if (!voice) return;
    const rate = 8000, length = 1200, samples = new Float32Array(3 * length);
    for (let n = 0; n < samples.length; n++) samples[n] = 0.12 * Math.sin(Math.PI * (n % length) / length) ** 2 * Math.sin(2 * Math.PI * 330 * n / rate);
    play(samples, rate, () => {});
    navigator.vibrate?.(300);
  };
  document.addEventListener("reply-sound", event => {
    const data = new DataView(event.detail);
    if (!voice || !ours || data.getUint32(0) !== 0x52504c59) return;
    const at = data.getUint32(4, true), rate = data.getUint32(8, true);
    const samples = Float32Array.from(new Int16Array(event.detail, 12), one => one / 32768);
    if (voice.state !== "running") voice.resume();
    play(samples, rate, () => { if (ours) tell({ t: "played", number: at }); });
  });

  // --- the bench -----------------------------------------------------------------------------

  document.addEventListener("bench-here", event => {
    here = event.detail.talk;
    by("talk").hidden = !event.detail.talk;
    if (wanted && !here) stop("");
    ask();
    show();
  });
  document.addEventListener("bench-lost", event => {
    const was = ours;
    here = ours = taken = false;
    hush();
    if (event.detail.closed) { stop(""); return; }
    if (was) alarm();
    show();
  });
  document.addEventListener("bench-told", event => {
    const told = event.detail;
    if (told.t === "talk") {
      const freed = taken && !told.taken;
      taken = told.taken;
      if (freed && !ours) ask();
    } else if (told.t === "floor") {
      const was = ours;
      ours = told.yours && wanted;
      number = 0;
      if (told.yours && !wanted) tell({ t: "leave floor" });
      if (was && !ours) { alarm(); setTimeout(ask, AGAIN_MS); }
    } else if (told.t === "hush") hush();
    show();
  });
  addEventListener("pagehide", () => { if (wanted && here) tell({ t: "leave floor" }); });
  show();
})();
