// The short answer code that readers copy into a comment: written and read
// here and by the Go package analyze/listening, whose documentation gives the
// format bit by bit. No number here has more than 31 bits, so plain numbers do.
// Classic script; everything hangs on the one global object Evenhand.
(function (root) {
  "use strict";
  const Evenhand = root.Evenhand = root.Evenhand || {};

  const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
  const prefix = "EVNH";
  const kinds = ["", "preference", "trials", "ratings"];
  const notAsked = 0, tie = 1, first = 2, second = 3; // outcomes of a pair
  const notRated = -1;
  const most = 16; // takes in a code

  function refuse(why) {
    throw new RangeError("answer cannot be written as a code: " + why);
  }

  function whole(field, v, low, high) {
    if (!Number.isInteger(v) || v < low || v > high) refuse(`the ${field} is ${v}; allowed are ${low} to ${high}`);
    return v;
  }

  function put(bits, v, width) {
    for (let i = width - 1; i >= 0; i--) bits.push(v >> i & 1);
  }

  function putHex(bits, field, hex, exact) {
    if (typeof hex !== "string" || !/^[0-9a-f]{10,}$/i.test(hex) || exact && hex.length !== 10) refuse(`the ${field} is ${hex}; ten hexadecimal digits are needed`);
    for (const c of hex.slice(0, 10)) put(bits, parseInt(c, 16), 4);
  }

  // CRC-30/CDMA over bits.
  function check(bits) {
    const mask = 0x3fffffff;
    let r = mask;
    for (const bit of bits) {
      const top = r >> 29 & 1;
      r = r << 1 & mask;
      if (top !== bit) r ^= 0x2030b9c7;
    }
    return r ^ mask;
  }

  function answerBits(kind, takes) {
    return [0, takes * (takes - 1) + 6, 32, 7 * (takes + 2)][kind];
  }

  // The code of an answer: {kind, comparison, nonce, takes} and, by its kind,
  // preference {pairs, same_take, same}, trials {a, b, planned, done, correct}
  // or ratings {takes, hidden, anchor}. Throws RangeError for what cannot be
  // written.
  function encode(answer) {
    const kind = kinds.indexOf(answer.kind, 1);
    if (kind < 0) refuse(`the kind is ${answer.kind}`);
    const takes = whole("number of takes", answer.takes, 2, most);
    if (kinds.slice(1).filter(k => answer[k]).length !== 1 || !answer[answer.kind]) refuse(`exactly the ${answer.kind} must be set`);
    const bits = [];
    put(bits, 1, 5);
    put(bits, kind, 5);
    put(bits, takes, 5);
    putHex(bits, "comparison", answer.comparison, false);
    putHex(bits, "nonce", answer.nonce, true);
    if (kind === 1) {
      const p = answer.preference;
      if (p.pairs.length !== takes * (takes - 1) / 2) refuse(`${p.pairs.length} pairs for ${takes} takes`);
      p.pairs.forEach((o, i) => put(bits, whole(`outcome of pair ${i + 1}`, o, 0, 3), 2));
      put(bits, whole("take of the identical pair", p.same_take, 0, p.same === notAsked ? 0 : takes - 1), 4);
      put(bits, whole("outcome of the identical pair", p.same, 0, 3), 2);
    } else if (kind === 2) {
      const t = answer.trials;
      put(bits, whole("first take", t.a, 0, takes - 2), 4);
      put(bits, whole("second take", t.b, t.a + 1, takes - 1), 4);
      put(bits, whole("number of trials planned", t.planned, 1, 255), 8);
      put(bits, whole("number of trials done", t.done, 0, t.planned), 8);
      put(bits, whole("number of right answers", t.correct, 0, t.done), 8);
    } else {
      const r = answer.ratings;
      if (r.takes.length !== takes) refuse(`${r.takes.length} ratings for ${takes} takes`);
      for (const v of [...r.takes, r.hidden, r.anchor]) put(bits, v === notRated ? 127 : whole("rating", v, 0, 100), 7);
    }
    while (bits.length % 5) bits.push(0);
    put(bits, check(bits), 30);
    let code = prefix;
    for (let i = 0; i < bits.length; i += 5) code += alphabet[parseInt(bits.slice(i, i + 5).join(""), 2)];
    return code;
  }

  // The answer that a code gives. Case does not matter, nor anything between
  // the characters that is neither a letter nor a digit. Throws an Error for a
  // text that is no sound code.
  function decode(text) {
    const code = String(text).replace(/[^0-9A-Za-z]/g, "").toUpperCase()
      .replace(/[IL]/g, "1").replace(/O/g, "0").replace(/U/g, "V");
    if (!code.startsWith(prefix)) throw new Error(`no answer code: it begins with ${prefix}`);
    const bits = [];
    for (const c of code.slice(prefix.length)) put(bits, alphabet.indexOf(c), 5);
    let at = 0;
    const take = width => {
      let v = 0;
      for (const end = at + width; at < end; at++) v = v * 2 + (bits[at] || 0);
      return v;
    };
    const takeHex = () => Array.from({ length: 10 }, () => take(4).toString(16)).join("");
    const damaged = why => new Error("damaged answer code: " + why);
    const version = take(5), kind = take(5), takes = take(5);
    if (version !== 1) throw new Error(`answer code of version ${version}, which this page does not know`);
    if (!kinds[kind] || takes < 2 || takes > most) throw damaged("no such test");
    const filled = Math.ceil((95 + answerBits(kind, takes)) / 5) * 5;
    if (bits.length !== filled + 30) throw damaged(`it has ${code.length} characters instead of ${prefix.length + filled / 5 + 6}`);
    at = filled;
    if (take(30) !== check(bits.slice(0, filled))) throw damaged("the check does not agree");
    at = 15;
    const answer = { kind: kinds[kind], comparison: takeHex(), nonce: takeHex(), takes };
    if (kind === 1) {
      const pairs = Array.from({ length: takes * (takes - 1) / 2 }, () => take(2));
      answer.preference = { pairs, same_take: take(4), same: take(2) };
    } else if (kind === 2) {
      answer.trials = { a: take(4), b: take(4), planned: take(8), done: take(8), correct: take(8) };
    } else {
      const rating = () => { const v = take(7); return v === 127 ? notRated : v; };
      answer.ratings = { takes: Array.from({ length: takes }, rating), hidden: rating(), anchor: rating() };
    }
    let again = "";
    try { again = encode(answer); } catch (e) { throw damaged(e.message); }
    if (again !== code) throw damaged("the filling bits are not zero");
    return answer;
  }

  // A fresh random number for a reader.
  function nonce() {
    return Array.from(root.crypto.getRandomValues(new Uint8Array(5)), b => b.toString(16).padStart(2, "0")).join("");
  }

  // The place of the pair of takes a and b, a < b, in preference.pairs.
  function pairIndex(a, b, takes) {
    return a * takes - a * (a + 1) / 2 + b - a - 1;
  }

  Evenhand.answers = { most, encode, decode, nonce, pairIndex, notAsked, tie, first, second, notRated };
})(globalThis);
