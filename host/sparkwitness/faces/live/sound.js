// The newest view for the ear, for who looks at the engine and not at the screen: a tone that rises
// for an early spark, falls for a late one and is level where it comes as commanded; a click per
// event; or words. Silent where the figures are of a moment that is over, after two low notes.

const EVERY_MS = 3000;
const LOW_HZ = 440;

export class Sound {
  #ways = ["off", "tone", "tone + click", ...("speechSynthesis" in window ? ["voice"] : [])];
  #way = "off";
  #audio = null;
  #sounded = -EVERY_MS;
  #fired = null;
  #wasHeld = false;

  // The next way of sounding; a browser lets a page make sound only once a person has touched it.
  next() {
    this.#audio ??= new AudioContext();
    this.#audio.resume();
    this.#way = this.#ways[(this.#ways.indexOf(this.#way) + 1) % this.#ways.length];
    this.#sounded = -EVERY_MS;
    if (this.#way !== "voice") window.speechSynthesis?.cancel();
    return this.#way;
  }

  hear({ error, firings }, held) {
    const fresh = this.#fired === null ? 0 : Math.min(Math.max(firings - this.#fired, 0), 40);
    const begins = held && !this.#wasHeld;
    this.#fired = firings;
    this.#wasHeld = held;
    if (this.#way === "off") return;
    if (begins) for (const delay of [0, 0.25]) this.#note(LOW_HZ / 2, LOW_HZ / 2, 0.15, delay);
    if (held) return;
    if (this.#way === "tone + click") {
      // Views come four times a second: the events of each are clicked one after the other.
      for (let k = 0; k < fresh; k++) this.#note(2000, 1500, 0.006, (k / fresh) * 0.25, 0.15);
    }
    const now = performance.now();
    if (!error || now - this.#sounded < EVERY_MS) return;
    if (this.#way === "voice") {
      if (speechSynthesis.speaking) return;
      const size = `${Math.abs(error.value).toFixed(1)} degrees ${error.value > 0 ? "early" : "late"}`;
      speechSynthesis.speak(new SpeechSynthesisUtterance(error.agrees ? "as commanded" : size));
    } else {
      // The larger the error, the wider the glide: up to an octave at 7.5 degrees.
      const high = LOW_HZ * 2 ** Math.min(1, 0.25 + Math.abs(error.value) / 10);
      if (error.agrees) this.#note(LOW_HZ * Math.SQRT2, LOW_HZ * Math.SQRT2, 0.25);
      else if (error.value > 0) this.#note(LOW_HZ, high, 0.5);
      else this.#note(high, LOW_HZ, 0.5);
    }
    this.#sounded = now;
  }

  // One note; the pitch glides evenly from one frequency to the other.
  #note(from, to, seconds, delay = 0, loud = 0.25) {
    const begin = this.#audio.currentTime + delay;
    const tone = new OscillatorNode(this.#audio);
    const gain = new GainNode(this.#audio, { gain: 0 });
    tone.frequency.setValueAtTime(from, begin);
    tone.frequency.exponentialRampToValueAtTime(to, begin + seconds);
    gain.gain.setValueAtTime(0, begin);
    gain.gain.linearRampToValueAtTime(loud, begin + Math.min(0.02, seconds / 4));
    gain.gain.linearRampToValueAtTime(0, begin + seconds);
    tone.connect(gain).connect(this.#audio.destination);
    tone.start(begin);
    tone.stop(begin + seconds);
  }
}
