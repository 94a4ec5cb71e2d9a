"""Decide when a reading has come to rest, and how sure that is. First version: being hardened."""
from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, isfinite, log, sqrt, inf

from acquire.quantities import Tolerance

__all__ = ["Settler", "Settling", "Tolerance"]

_CAP = 4
_THETAS = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0)


@dataclass(frozen=True, slots=True)
class P:
    eps: float = 0.06
    dwell: float = 20.0
    p_plateau: float = 0.06
    p_blind: float = 0.12
    p_abrupt: float = 0.5
    plateau_max: float = 42.0
    plateau_min: float = 8.0
    kappa: float = 0.15
    look: float = 8.0
    floor: float = 0.7
    w_rest: float = 0.45
    w_exp: float = 0.07
    w_pow: float = 0.05
    w_ramp: float = 0.12
    horizon: float = 120.0
    ramp_scale: float = 1.0 / 60.0
    colour: float = 1.5
    n_min: int = 3


@dataclass(frozen=True, slots=True)
class Settling:
    phase: str
    value: float
    expanded_u: float
    drift_per_min: float
    eta_s: float | None
    reason: str


class Settler:
    def __init__(self, tolerance, *, resolution=0.0, quantity="", preset="bench", p=None):
        self._tol = tolerance
        self._q = resolution or 0.0
        self._quantity = quantity
        self.p = p or P()
        self._last_t = -inf
        self._clear(None)
        self._state = Settling("moving", float("nan"), inf, 0.0, None, "no reading yet")

    def _clear(self, t):
        self._t0 = t
        self._levels = [[]]
        self._buf = []
        self._buft = 0.0
        self._bufT = 0.0
        self._bufTn = 0
        self._end = t if t is not None else -inf
        self._pend = None
        self._level = None
        self._lo = inf
        self._hi = -inf
        self._d = []       # second differences, level 0
        self._d1 = []
        self._d2 = []
        self._prev = []    # last 4 base block values
        self._ny = []
        self._settled = False
        self._anchor = 0.0
        self._off = 0
        self._off_t = 0.0
        self._gap_t = -inf
        self._abrupt_t = -inf
        self._next_eval = -inf
        self._n = 0
        self.terms = {}
        self._budget = {"noise": inf, "resolution": inf, "remaining": inf}

    def budget(self):
        """Standard uncertainties behind `expanded_u`."""
        return dict(self._budget)

    def explain(self):
        """The terms that decided, name and value in words."""
        return [(name, f"{value:.4g}") for name, value in self.terms.items() if isinstance(value, float)]

    def restart(self, t_s):
        self._clear(t_s)
        self._state = Settling("moving", float("nan"), inf, 0.0, None, "just restarted")

    def update(self, t_s, value, temperature=None):
        t = t_s
        if not (isfinite(t) and isfinite(value)) or t <= self._last_t:
            return self._state
        dt = t - self._last_t
        self._last_t = t
        if self._t0 is None:
            self._t0 = t
            self._end = t - 1.0
            self._period = 0.0
        elif dt != inf:
            if self._period == 0.0:
                self._period = dt
            elif dt > 5.0 * self._period and dt > 8.0:
                self._gap_t = t
            else:
                self._period += 0.1 * (dt - self._period)
        level = self._level
        tol = self._tol.at(value)
        if level is None:
            self._level = value
            self._take(t, value, temperature)
        else:
            jump = value - level
            big = abs(jump) > max(0.75 * tol, 2.0 * self._q, 6.0 * self._sigma1())
            pend = self._pend
            if pend is not None:
                self._pend = None
                if abs(value - pend[1]) < abs(jump):   # confirmed: a real move
                    self._take(*pend)
                    self._level = pend[1]
                    big = False
            if big:
                self._pend = (t, value, temperature)
                return self._state
            self._take(t, value, temperature)
            self._level = value if self._n < 4 else self._level + 0.5 * (value - self._level)
        if self._settled:
            self._watch(t, value)
        if t - self._end >= 1.5 and self._buf:
            self._close(t)
        return self._state

    def _sigma1(self):
        return self._sig if self._n > 8 else 0.0

    _sig = 0.0

    def _take(self, t, value, temperature):
        self._n += 1
        self._buf.append(value)
        self._buft += t
        if temperature is not None and isfinite(temperature):
            self._bufT += temperature
            self._bufTn += 1

    def _watch(self, t, value):
        tol = self._tol.at(self._anchor)
        if abs(value - self._state.value) > tol + 1.5 * self._sig:
            if self._off == 0:
                self._off_t = t
            self._off += 1
            if self._off >= 3 and t - self._off_t >= 2.0:
                t0 = self._off_t
                self._clear(t0)
                self._t0 = t0
                self._level = value
                self._take(t, value, None)
                self._state = Settling("moving", value, inf, 0.0, None, "moved on after it had settled")
        else:
            self._off = 0

    def _close(self, t):
        buf = self._buf
        n = len(buf)
        tm = self._buft / n
        if n >= 4:
            buf.sort()
            k = n // 4
            core = buf[k:n - k]
            y = sum(core) / len(core)
        else:
            y = sum(buf) / n if n != 3 else sorted(buf)[1]
        T = self._bufT / self._bufTn if self._bufTn else None
        self._buf = []
        self._buft = 0.0
        self._bufT = 0.0
        self._bufTn = 0
        self._end = t
        if y < self._lo: self._lo = y
        if y > self._hi: self._hi = y
        prev = self._prev
        prev.append(y)
        if len(prev) > 4:
            del prev[0]
        if len(prev) >= 3:
            d = prev[-1] - 2 * prev[-2] + prev[-3]
            self._d.append(abs(d))
            if len(self._d) > 12:
                del self._d[0]
        if len(prev) == 4:
            d1, d2, d3 = prev[3] - prev[2], prev[2] - prev[1], prev[1] - prev[0]
            tol = self._tol.at(y)
            if d2 * d3 > 0 and abs(d3) > tol:
                pred = d2 * min(d2 / d3, 1.0)
                if abs(pred) > max(0.8 * tol, 4 * self._sb()) and d1 / pred < 0.3:
                    self._abrupt_t = t
        block = (1, tm, y, T)
        levels = self._levels
        k = 0
        levels[0].append(block)
        while len(levels[k]) > _CAP:
            lev = levels[k]
            a, b = lev[0], lev[1]
            del lev[:2]
            m = a[0] + b[0]
            Tm = None if a[3] is None or b[3] is None else 0.5 * (a[3] + b[3])
            merged = (m, 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2]), Tm)
            k += 1
            if k == len(levels):
                levels.append([])
            levels[k].append(merged)
            lv = levels[k]
            if k <= 2 and len(lv) >= 3:
                dd = self._d1 if k == 1 else self._d2
                dd.append(abs(lv[-1][2] - 2 * lv[-2][2] + lv[-3][2]))
                if len(dd) > 7:
                    del dd[0]
        self._sig = self._sb() * sqrt(max(n, 1))
        if t >= self._next_eval:
            self._evaluate(t)

    def _sb(self):
        d = self._d
        if len(d) < 3:
            return 0.0
        s = sorted(d)
        n = len(s)
        med = 0.5 * (s[n // 2] + s[(n - 1) // 2])
        return med / (0.6745 * 2.449)

    def _noise(self, tol):
        """variance of a base block, inflated for colour"""
        v0 = self._sb() ** 2
        s = v0
        for dd, m in ((self._d1, 2), (self._d2, 4)):
            if len(dd) >= 4:
                x = sorted(dd)
                n = len(x)
                med = 0.5 * (x[n // 2] + x[(n - 1) // 2]) / (0.6745 * 2.449)
                s = max(s, min(0.7 * med * med * m, 4 * v0 + (0.05 * tol) ** 2))
        pr = (0.3 * self._q) ** 2 + (0.05 * tol) ** 2
        n = len(self._d)
        return (s * n + pr * 3) / (n + 3)

    def _evaluate(self, t):
        p = self.p
        lv0 = self._levels[0]
        y0 = lv0[-1][2]
        tol = self._tol.at(y0)
        if len(lv0) >= 2 and abs(lv0[-2][2] - y0) < tol:
            y0 = 0.5 * (y0 + lv0[-2][2])
        vb = self._noise(tol) * p.colour
        s1 = self._sig
        q = self._q
        qres = q * q / 12.0 * exp(-min(20.0, 4 * 9.87 * (s1 / q) ** 2)) if q else 0.0
        fl = (0.02 * tol) ** 2
        kap2 = p.kappa ** 2
        look = p.look * tol
        W = []
        lagB = t - self._t0
        dB = None
        tn = lv0[-1][1]
        sw = sy = syy = 0.0
        dwell_lag = None
        band = tol + 1.5 * sqrt(vb)
        for k in range(len(self._levels)):
            lev = self._levels[k]
            for i in range(len(lev) - 1, -1, -1):
                m, tm, y, _T = lev[i]
                lag = t - tm
                dy = y - y0
                ad = abs(dy)
                if dwell_lag is None and ad > band + 0 and len(W) > 0:
                    dwell_lag = W[-1][0]
                if ad > look:
                    lagB = lag
                    dB = ad
                    break
                w = 1.0 / (vb / m + qres + fl + kap2 * dy * dy)
                W.append((lag, dy, w, m))
                sw += w
                sy += w * dy
                syy += w * dy * dy
            if dB is not None:
                break
        if dB is None:
            dB = max(self._hi - y0, y0 - self._lo)
        if dwell_lag is None:
            dwell_lag = W[-1][0] if W else 0.0
        dwell = min(dwell_lag, t - self._gap_t)
        T = max(t - self._t0, 1.0)
        # hypotheses
        hyps = []
        mean = sy / sw
        lw = [(log(p.w_rest), 0.0, 0.0, mean, 1 / sw, 0.0, "rest")]
        def hyp(gs, A, prior, bad_tol, rate_k, name):
            sg = sgg = sgy = 0.0
            for g, (lag, dy, w, m) in zip(gs, W):
                wg = w * g
                sg += wg
                sgg += wg * g
                sgy += wg * dy
            gg = sgg - sg * sg / sw
            gy = sgy - sg * sy / sw
            prec = gg + 1.0 / (A * A)
            a = gy / prec
            le = log(prior) + 0.5 * gy * a - 0.5 * log(prec * A * A)
            sd = 1 / sqrt(prec)
            L = mean - a * sg / sw
            vL = 1 / sw + (sg / sw) ** 2 / prec
            r2 = sd * 1.41421356
            bad = 0.5 * (erfc((bad_tol - a) / r2) + erfc((bad_tol + a) / r2))
            lw.append((le, bad, a, L, vL, a * rate_k, name))
        flo = p.floor * tol
        for th in _THETAS:
            A = 1.5 * dB * exp(-lagB / th) + flo
            hyp([exp(min(w[0] / th, 30.0)) for w in W], A, p.w_exp, tol, -1 / th, f"exp{th:g}")
        Tp = T * 1.02 + 1.0
        hyp([Tp / (Tp - min(w[0], 0.98 * T)) for w in W], flo + 0.5 * dB * max(0.0, 1 - lagB / Tp), p.w_pow, tol, -1 / Tp, "hyperbolic")
        hyp([sqrt(Tp / (Tp - min(w[0], 0.98 * T))) for w in W], flo + 0.5 * dB * sqrt(max(0.0, 1 - lagB / Tp)), p.w_pow, tol, -0.5 / Tp, "sqrt")
        hyp([-w[0] for w in W], p.ramp_scale * tol, p.w_ramp, tol / p.horizon, 1.0, "ramp")
        mx = max(x[0] for x in lw)
        z = 0.0
        bad = val = m2 = rate = 0.0
        probs = []
        rem = 0.0
        for le, b, a, L, vL, r, name in lw:
            w = exp(le - mx)
            z += w
            bad += w * b
            val += w * L
            m2 += w * (L * L + vL)
            rate += w * r
            probs.append((name, w, b, a))
            if name != "ramp":
                rem += w * a
        bad /= z; val /= z; m2 /= z; rate /= z; rem /= z
        var = m2 - val * val
        value = y0 + val
        if t - self._abrupt_t < p.plateau_max + 5:
            pp = p.p_abrupt
        elif max(self._hi - y0, y0 - self._lo) < 2 * tol:
            pp = p.p_blind
        else:
            pp = p.p_plateau
        surv = (p.plateau_max - dwell) / (p.plateau_max - p.plateau_min)
        haz = pp * min(1.0, max(0.0, surv))
        total = bad + haz
        unoise = sqrt(1 / sw)
        u2 = var + q * q / 12.0
        self.terms = {"bad": bad, "haz": haz, "dwell": dwell, "rem": rem, "probs": [(n, w / z, b, a) for n, w, b, a in probs], "vb": vb, "sig1": s1}
        expu = 2 * sqrt(u2)
        self._budget = {"noise": unoise, "resolution": q / sqrt(12.0), "remaining": sqrt(max(var - unoise * unoise, 0.0))}
        ok = total <= p.eps and dwell >= p.dwell * 0.5 and len(W) >= p.n_min and abs(val) < tol and abs(rem) < tol
        if self._settled:
            if abs(value - self._anchor) > tol * 1.0 or bad > 0.6:
                self._settled = False
                ok = False
        elif ok:
            self._settled = True
            self._anchor = value
            self._off = 0
        phase = "settled" if self._settled else ("settling" if dwell > 6 else "moving")
        reason = "" if self._settled else f"still moving, {rate * 60:+.3g} per minute"
        self._state = Settling(phase, value, expu, rate * 60, None, reason)
        gap = 0.0
        if self._settled:
            gap = min(5.0 + 0.02 * T, 30.0)
        self._next_eval = t + gap
