// Exact statistics of the listening tests. The same sums as in the Go package
// analyze/listening, against which they are tested. Classic script; everything
// hangs on the one global object Evenhand.
(function (root) {
  "use strict";
  const Evenhand = root.Evenhand = root.Evenhand || {};

  // What Stirling's formula leaves of log n!.
  function stirling(n) {
    if (n < 16) {
      let f = 1;
      for (let i = 2; i <= n; i++) f *= i;
      return Math.log(f) - (n + 0.5) * Math.log(n) + n - 0.5 * Math.log(2 * Math.PI);
    }
    const r = 1 / (n * n);
    return (1 / 12 - r * (1 / 360 - r * (1 / 1260 - r / 1680))) / n;
  }

  // x log(x/m) + m - x, also where the two are close.
  function deviance(x, m) {
    if (Math.abs(x - m) >= 0.1 * (x + m)) return x * Math.log(x / m) + m - x;
    const v = (x - m) / (x + m);
    let sum = (x - m) * v, term = 2 * x * v;
    for (let j = 1; j < 100; j++) {
      term *= v * v;
      const next = sum + term / (2 * j + 1);
      if (next === sum) break;
      sum = next;
    }
    return sum;
  }

  // P(X = k), after C. Loader, Fast and accurate computation of binomial
  // probabilities, 2000 (from memory).
  function mass(k, n, p, q) {
    if (k === 0) return Math.exp(n * Math.log1p(-p));
    if (k === n) return Math.exp(n * Math.log1p(-q));
    const e = stirling(n) - stirling(k) - stirling(n - k) - deviance(k, n * p) - deviance(n - k, n * q);
    return Math.exp(e) * Math.sqrt(n / (2 * Math.PI * k * (n - k)));
  }

  // Sum of the terms from k upward; k lies above the mean.
  function upper(k, n, p, q) {
    let term = mass(k, n, p, q);
    let sum = term;
    for (let i = k; i < n && term > sum * 1e-17; i++) {
      term *= (n - i) / (i + 1) * p / q;
      sum += term;
    }
    return Math.min(1, sum);
  }

  function tailOf(k, n, p, q) {
    if (k <= 0) return 1;
    if (k > n || p === 0) return 0;
    if (q === 0) return 1;
    return k > n * p ? upper(k, n, p, q) : 1 - upper(n - k + 1, n, q, p);
  }

  // P(X >= k) of n trials with probability p: the one-sided p-value for p = 1/2.
  function tail(k, n, p) {
    return n >= 0 && p >= 0 && p <= 1 ? tailOf(k, n, p, 1 - p) : NaN;
  }

  // Two-sided sign test.
  function twoSided(k, n) {
    return Math.min(1, 2 * tail(Math.max(k, n - k), n, 0.5));
  }

  // Least number of right answers that guessing reaches with at most alpha;
  // null when even n of n do not suffice.
  function critical(n, alpha) {
    if (n < 1) return null;
    let low = 0, high = n + 1;
    while (low < high) {
      const mid = (low + high) >> 1;
      if (tail(mid, n, 0.5) <= alpha) high = mid; else low = mid + 1;
    }
    return low <= n ? low : null;
  }

  // Where below() changes from true to false between 0 and 1.
  function solve(below) {
    let low = 0, high = 1;
    for (let i = 0; i < 200; i++) {
      const mid = low + (high - low) / 2;
      if (mid === low || mid === high) break;
      if (below(mid)) low = mid; else high = mid;
    }
    return low + (high - low) / 2;
  }

  // Clopper–Pearson interval of k of n, as [low, high].
  function interval(k, n, confidence) {
    const half = (1 - confidence) / 2;
    return [
      k > 0 ? solve(p => tailOf(k, n, p, 1 - p) < half) : 0,
      k < n ? 1 - solve(q => tailOf(n - k, n, q, 1 - q) < half) : 1,
    ];
  }

  // Least number of two-choice answers that find a true proportion with the
  // power, by trying every number up to most; null when that is not enough.
  function answersNeeded(proportion, power, alpha, most) {
    for (let n = 1, k = 1; n <= most; n++) {
      while (k <= n && tail(k, n, 0.5) > alpha) k++;
      const reached = tail(k, n, proportion);
      if (reached >= power) return { answers: n, critical: k, reached };
    }
    return null;
  }

  // What a fixed number of trials can show: the right answers needed, the
  // chance of guessing them, the least proportion found with the power.
  function trialsShow(n, power, alpha) {
    const k = critical(n, alpha);
    if (k === null) return null;
    return { trials: n, critical: k, chance: tail(k, n, 0.5), finds: solve(p => tail(k, n, p) < power) };
  }

  Evenhand.statistics = { tail, twoSided, critical, interval, answersNeeded, trialsShow };
})(globalThis);
