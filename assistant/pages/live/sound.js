// The microphone's sound in blocks of 20 ms, 16 bits, in the thread that makes sound.
class LeafcallSound extends AudioWorkletProcessor {
  constructor() {
    super();
    this.length = Math.round(sampleRate / 50);
    this.block = new Int16Array(this.length);
    this.filled = 0;
  }
  process([channels]) {
    for (const sample of channels[0] ?? []) {
      this.block[this.filled++] = Math.max(-32768, Math.min(32767, Math.round(sample * 32768)));
      if (this.filled === this.length) {
        this.port.postMessage(this.block.buffer, [this.block.buffer]);
        this.block = new Int16Array(this.length);
        this.filled = 0;
      }
    }
    return true;
  }
}
registerProcessor("leafcall-sound", LeafcallSound);
