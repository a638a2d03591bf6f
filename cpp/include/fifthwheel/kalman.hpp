// Scalar-measurement Kalman update and its adjoint (modified Bryson-Frazier), for a fixed number of states.
//
// Source: G. J. Bierman, Factorization Methods for Discrete Sequential Estimation, 1977, on the smoother of
// Bryson and Frazier. The smoother carries an adjoint vector l and matrix L backwards; smoothed x = x - P l,
// P = P - P L P. No matrix is inverted. P is kept whole and is symmetric to the last bit: every update
// subtracts c_i * c_j.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/status.hpp>

namespace fifthwheel {

// True when x is neither infinite nor not-a-number.
template <typename Real>
constexpr bool finite(Real x) {
    return x - x == Real(0);
}

// Row length in memory: a multiple of four, so that whole rows are worked on at once.
constexpr int padded(int n) { return (n + 3) / 4 * 4; }

// Mean and covariance of N states.
template <typename Real, int N>
struct Gaussian {
    static constexpr int size = N;
    static constexpr int stride = padded(N);
    Real x[stride];
    Real P[N][stride];
};

// One row of a measurement matrix: only the entries that are not zero.
template <typename Real>
struct SparseRow {
    static constexpr int capacity = 12;
    int count = 0;
    int index[capacity];
    Real value[capacity];

    void add(int i, Real x) {
        if (count < capacity) {
            index[count] = i;
            value[count] = x;
            ++count;
        }
    }
    // Add `x` to entry i, which may be there already.
    void merge(int i, Real x) {
        for (int k = 0; k < count; ++k) {
            if (index[k] == i) {
                value[k] += x;
                return;
            }
        }
        add(i, x);
    }
};

// How an innovation beyond what the covariance allows is treated; `bound` is in standard deviations.
enum class Tail : uint8_t {
    gaussian,     // as it comes
    heavy,        // weight falls with the distance: influence stays bounded but never ends
    redescending  // weight falls so fast that a far outlier has no influence; beyond `reject` it is left out
};

template <typename Real>
struct Gate {
    Tail tail = Tail::gaussian;
    Real bound = Real(3);
    Real reject = Real(1e30);
};

// A measurement as it was applied: what the adjoint pass needs to go back over it.
template <typename Real, int N>
struct Applied {
    Real gain[padded(N)];
    Real innovation;
    Real variance;  // of the innovation, after re-weighting
    SparseRow<Real> h;
};

// What came of one update: squared innovation over its variance before re-weighting, and whether it was used
// whole.
template <typename Real>
struct Verdict {
    Real nis = Real(0);
    bool applied = false;
    bool whole = false;
};

// Apply one scalar measurement with innovation y = z - h(x). `variance`: of its noise as white noise of the
// same weight; `own`: of the single reading, by which its innovation is judged (smaller where errors last).
// `record` may be null.
template <typename Real, int N>
Verdict<Real> scalar_update(Gaussian<Real, N>& state, const SparseRow<Real>& h, Real innovation,
                            Real variance, Real own, const Gate<Real>& gate, Applied<Real, N>* record) {
    constexpr int S = padded(N);
    Verdict<Real> verdict;
    if (!finite(innovation) || !(variance > Real(0))) return verdict;
    Real c[S];
    for (int j = 0; j < S; ++j) c[j] = h.value[0] * state.P[h.index[0]][j];
    for (int k = 1; k < h.count; ++k) {
        const Real a = h.value[k];
        const Real* row = state.P[h.index[k]];
        for (int j = 0; j < S; ++j) c[j] += a * row[j];
    }
    Real s = variance;
    for (int k = 0; k < h.count; ++k) s += h.value[k] * c[h.index[k]];
    if (!(s > Real(0)) || !finite(s)) return verdict;
    verdict.nis = innovation * innovation / (s - variance + own);
    verdict.whole = true;
    const Real over = verdict.nis / (gate.bound * gate.bound);
    if (gate.tail != Tail::gaussian && over > Real(1)) {
        verdict.whole = false;
        if (gate.tail == Tail::redescending) {
            if (verdict.nis > gate.reject * gate.reject) return verdict;
            s *= over * over;
        } else {
            s *= sqrt(over);
        }
    }
    const Real inverse = Real(1) / s;
    const Real root = sqrt(inverse);
    const Real step = innovation * inverse;
    for (int j = 0; j < S; ++j) state.x[j] += step * c[j];
    if (record != nullptr) {
        for (int j = 0; j < S; ++j) record->gain[j] = inverse * c[j];
        record->innovation = innovation;
        record->variance = s;
        record->h = h;
    }
    for (int j = 0; j < S; ++j) c[j] *= root;
    for (int i = 0; i < N; ++i) {
        const Real a = c[i];
        Real* row = state.P[i];
        for (int j = 0; j < S; ++j) row[j] -= a * c[j];
    }
    verdict.applied = true;
    return verdict;
}

// What later data say about the state: adjoint vector l and matrix L.
template <typename Real, int N>
struct Adjoint {
    static constexpr int stride = padded(N);
    Real l[stride];
    Real L[N][stride];

    void clear() {
        for (int j = 0; j < stride; ++j) l[j] = Real(0);
        for (int i = 0; i < N; ++i) forget(i);
    }
    // State i starts afresh here: later data say nothing about its earlier value.
    void forget(int i) {
        l[i] = Real(0);
        for (int j = 0; j < stride; ++j) L[i][j] = Real(0);
        for (int j = 0; j < N; ++j) L[j][i] = Real(0);
    }
};

// Go back over one applied measurement.
template <typename Real, int N>
void adjoint_update(Adjoint<Real, N>& adjoint, const Applied<Real, N>& m) {
    constexpr int S = padded(N);
    Real g[S];
    for (int j = 0; j < S; ++j) g[j] = Real(0);
    Real gain_l = Real(0);
    for (int k = 0; k < N; ++k) {
        const Real a = m.gain[k];
        const Real* row = adjoint.L[k];
        for (int j = 0; j < S; ++j) g[j] += a * row[j];
        gain_l += a * adjoint.l[k];
    }
    Real gain_g = Real(0);
    for (int k = 0; k < N; ++k) gain_g += m.gain[k] * g[k];
    const Real inverse = Real(1) / m.variance;
    const Real pull = m.innovation * inverse + gain_l;
    const Real half = (gain_g + inverse) / Real(2);
    for (int k = 0; k < m.h.count; ++k) {
        adjoint.l[m.h.index[k]] -= m.h.value[k] * pull;
        g[m.h.index[k]] -= half * m.h.value[k];
    }
    for (int k = 0; k < m.h.count; ++k) {
        const int a = m.h.index[k];
        const Real value = m.h.value[k];
        for (int j = 0; j < S; ++j) adjoint.L[a][j] -= value * g[j];
        for (int j = 0; j < N; ++j) adjoint.L[j][a] -= value * g[j];
    }
}

// Smoothed mean of state i.
template <typename Real, int N>
Real smoothed_mean(const Gaussian<Real, N>& state, const Adjoint<Real, N>& adjoint, int i) {
    Real sum = state.x[i];
    for (int j = 0; j < N; ++j) sum -= state.P[i][j] * adjoint.l[j];
    return sum;
}

// Smoothed mean of all states; out: [padded(N)].
template <typename Real, int N>
void smoothed_means(const Gaussian<Real, N>& state, const Adjoint<Real, N>& adjoint, Real* out) {
    constexpr int S = padded(N);
    for (int j = 0; j < S; ++j) out[j] = state.x[j];
    for (int i = 0; i < N; ++i) {
        const Real a = adjoint.l[i];
        for (int j = 0; j < S; ++j) out[j] -= a * state.P[i][j];
    }
}

// Smoothed variance of the combination w'x of states.
template <typename Real, int N>
Real smoothed_variance(const Gaussian<Real, N>& state, const Adjoint<Real, N>& adjoint,
                       const SparseRow<Real>& w) {
    constexpr int S = padded(N);
    Real p[S];
    for (int j = 0; j < S; ++j) p[j] = Real(0);
    for (int k = 0; k < w.count; ++k) {
        for (int j = 0; j < S; ++j) p[j] += w.value[k] * state.P[w.index[k]][j];
    }
    Real sum = Real(0);
    for (int k = 0; k < w.count; ++k) sum += w.value[k] * p[w.index[k]];
    Real q[S];
    for (int j = 0; j < S; ++j) q[j] = Real(0);
    for (int i = 0; i < N; ++i) {
        const Real a = p[i];
        for (int j = 0; j < S; ++j) q[j] += a * adjoint.L[i][j];
    }
    for (int j = 0; j < N; ++j) sum -= p[j] * q[j];
    return sum > Real(0) ? sum : Real(0);
}

// Smoothed covariance, whole.
template <typename Real, int N>
void smoothed_covariance(const Gaussian<Real, N>& state, const Adjoint<Real, N>& adjoint,
                         Real (*out)[padded(N)]) {
    constexpr int S = padded(N);
    Real PL[N][S];
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j < S; ++j) PL[i][j] = Real(0);
        for (int k = 0; k < N; ++k) {
            const Real a = state.P[i][k];
            for (int j = 0; j < S; ++j) PL[i][j] += a * adjoint.L[k][j];
        }
    }
    for (int i = 0; i < N; ++i) {
        for (int j = 0; j <= i; ++j) {
            Real sum = state.P[i][j];
            for (int k = 0; k < N; ++k) sum -= PL[i][k] * state.P[k][j];
            out[i][j] = sum;
            out[j][i] = sum;
        }
    }
}

// Lower Cholesky factor of a symmetric matrix, in place; a pivot not above `floor` times its diagonal becomes
// zero.
template <typename Real, int N>
void cholesky(Real (*A)[padded(N)], Real floor) {
    for (int j = 0; j < N; ++j) {
        const Real diagonal = A[j][j];
        Real pivot = diagonal;
        for (int k = 0; k < j; ++k) pivot -= A[j][k] * A[j][k];
        const bool good = pivot > floor * diagonal && pivot > Real(0);
        const Real root = good ? sqrt(pivot) : Real(0);
        const Real inverse = good ? Real(1) / root : Real(0);
        A[j][j] = root;
        for (int i = j + 1; i < N; ++i) {
            Real sum = A[i][j];
            for (int k = 0; k < j; ++k) sum -= A[i][k] * A[j][k];
            A[i][j] = sum * inverse;
        }
        for (int i = 0; i < j; ++i) A[i][j] = Real(0);
    }
}

// Filter and smooth a linear system x' = F x + noise(Q) with one scalar measurement h x + noise(r) a step,
// predicted before each measurement when `predict_first`. Caller's buffers: states, applied, means
// [steps][N], covariances [steps][N][N], nis [steps]. The same update primitives as the motion filter, on any
// small system.
template <typename Real, int N>
Status smooth_linear(const Real (&F)[N][N], const Real (&Q)[N][N], const SparseRow<Real>& h, Real r,
                     const Real* z, size_t steps, const Gaussian<Real, N>& start, bool predict_first,
                     Gaussian<Real, N>* states, Applied<Real, N>* applied, Real* means, Real* covariances,
                     Real* nis) {
    if (z == nullptr || states == nullptr || applied == nullptr || steps == 0) return Status::bad_argument;
    Gaussian<Real, N> now = start;
    for (size_t k = 0; k < steps; ++k) {
        if (k > 0 || predict_first) {
            Gaussian<Real, N> next = now;
            for (int i = 0; i < N; ++i) {
                next.x[i] = Real(0);
                for (int j = 0; j < N; ++j) next.x[i] += F[i][j] * now.x[j];
                for (int j = 0; j <= i; ++j) {
                    Real sum = Q[i][j];
                    for (int a = 0; a < N; ++a) {
                        for (int b = 0; b < N; ++b) sum += F[i][a] * now.P[a][b] * F[j][b];
                    }
                    next.P[i][j] = sum;
                    next.P[j][i] = sum;
                }
            }
            now = next;
        }
        Real y = z[k];
        for (int j = 0; j < h.count; ++j) y -= h.value[j] * now.x[h.index[j]];
        const Verdict<Real> verdict = scalar_update(now, h, y, r, r, Gate<Real>{}, &applied[k]);
        if (!verdict.applied) return Status::not_finite;
        nis[k] = verdict.nis;
        states[k] = now;
    }
    Adjoint<Real, N> adjoint;
    adjoint.clear();
    for (size_t k = steps; k-- > 0;) {
        Real P[N][padded(N)];
        smoothed_covariance(states[k], adjoint, P);
        for (int i = 0; i < N; ++i) {
            means[k * N + size_t(i)] = smoothed_mean(states[k], adjoint, i);
            for (int j = 0; j < N; ++j) covariances[(k * N + size_t(i)) * N + size_t(j)] = P[i][j];
        }
        adjoint_update(adjoint, applied[k]);
        Adjoint<Real, N> back;
        back.clear();
        for (int i = 0; i < N; ++i) {
            for (int a = 0; a < N; ++a) {
                back.l[i] += F[a][i] * adjoint.l[a];
                for (int j = 0; j < N; ++j) {
                    for (int b = 0; b < N; ++b) back.L[i][j] += F[a][i] * adjoint.L[a][b] * F[b][j];
                }
            }
        }
        adjoint = back;
    }
    return Status::ok;
}

}  // namespace fifthwheel
