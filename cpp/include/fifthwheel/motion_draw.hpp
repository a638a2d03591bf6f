// Joint draws of the motion from its posterior within a window of rows, by forward filtering, backward
// sampling.
//
// At the last row of the window the state is drawn from its smoothed mean and covariance; then, row by row
// backwards, from the state at a row given the state drawn at the next one and all data up to the row. Only
// the noise of the step between them is random: w | x' ~ N(Q G' P^-1 (x' - x^), Q - Q G' P^-1 G Q) with P the
// predicted covariance of the next row, and then x = F^-1 (x' - G w). Source: C. K. Carter and R. Kohn, On
// Gibbs sampling for state space models, Biometrika 81 (1994); noise form after J. Durbin and S. J. Koopman.
// The constants of the session (gyro scale ... latency) come first in the factor of the start, so that draws
// of different windows with the same numbers share them.
#pragma once

#include <fifthwheel/motion_smooth.hpp>

namespace fifthwheel {

constexpr int motion_quick = 3;            // noises of every row: increments of u, v, psi
constexpr int motion_noises = 12;          // and of rows with walks: east, north, biases, slopes, slides
constexpr int motion_draw_quantities = 7;  // u v r ax ay distance psi

constexpr int motion_slow = motion_noises - motion_quick;

// State that a walk moves.
constexpr int motion_walk_state(int noise) {
    return noise < motion_quick + 2 ? motion::east + noise - motion_quick
                                    : motion::bias_ax + noise - motion_quick - 2;
}

// Order of states for the start of a window: constants first.
constexpr int motion_start_order(int i) {
    constexpr int constants = motion::count - motion::wandering;
    return i < constants ? motion::wandering + i : i - constants;
}

struct MotionWindow {
    size_t first = 0;  // rows [first, last)
    size_t last = 0;
    size_t draws = 0;
    const double* start = nullptr;  // standard normal numbers [count][draws]
    const float* steps = nullptr;   // standard normal numbers [last - first][motion_quick][draws]
    const float* walks =
        nullptr;  // the same [last / walk_every - first / walk_every + 1][motion_slow][draws]
    double* out[motion_draw_quantities] = {};  // [draws][last - first]
    double* constants = nullptr;               // * drawn constants [count - wandering][draws]
};

// What one step needs to be sampled backwards, the same for all draws: w = X' d + V z, d = deviation at the
// next row.
template <typename Real>
struct MotionFactor {
    Real X[motion::count][motion_noises];
    Real V[motion_noises][padded(motion_noises)];
    Real shift[motion::count];  // filtered mean of the next row less what was predicted of it
    MotionTransition<Real> f;
    Real x[motion::count];  // filtered mean of the row
};

// Caller's buffers: `records`, `predicted` and `factors` [motion_segment], `work` [motion_draw_work(draws)].
constexpr size_t motion_draw_work(size_t draws) {
    return draws *
           (size_t(motion::count) + size_t(motion_noises) + size_t(motion_draw_quantities) * motion_segment);
}

constexpr size_t motion_draw_block = 64;  // draws worked on together, so that they stay in the nearest cache

template <typename Real>
class MotionDraw {
  public:
    MotionDraw(const MotionSettings<Real>& settings, const MotionRows& rows, const MotionWindow& window,
               Real* work)
        : settings_(settings), rows_(rows), window_(window), n_(window.draws) {
        d_ = work;
        w_ = d_ + size_t(motion::count) * n_;
        out_ = w_ + size_t(motion_noises) * n_;
    }

    // Draw the last row of the window from its smoothed moments; its noise as if nothing were known of it.
    void begin(const MotionRecord<Real>& record, const MotionAdjoint<Real>& adjoint) {
        using namespace motion;
        constexpr int S = padded(count);
        Real P[count][S];
        smoothed_covariance(record.state, adjoint, P);
        Real A[count][S];
        for (int i = 0; i < count; ++i) {
            for (int j = 0; j < count; ++j) A[i][j] = P[motion_start_order(i)][motion_start_order(j)];
        }
        cholesky<Real, count>(A, Real(1e-12));
        for (int i = 0; i < count; ++i) {
            const int state = motion_start_order(i);
            Real* to = row(d_, state);
            const Real mean = smoothed_mean(record.state, adjoint, state) - record.state.x[state];
            for (size_t k = 0; k < n_; ++k) to[k] = mean;
            for (int j = 0; j <= i; ++j) {
                const Real a = A[i][j];
                const double* z = window_.start + size_t(j) * n_;
                for (size_t k = 0; k < n_; ++k) to[k] += a * Real(z[k]);
            }
        }
        const Real q[3] = {record.transition.q_u, record.transition.q_v, record.transition.q_psi};
        for (int i = 0; i < 3; ++i) {
            const float* z = normals(window_.last - 1, i);
            const Real root = sqrt(q[i]);
            for (size_t k = 0; k < n_; ++k) w_[size_t(i) * n_ + k] = root * Real(z[k]);
        }
        if (window_.constants == nullptr) return;
        for (int i = wandering; i < count; ++i) {
            const Real* from = row(d_, i);
            double* to = window_.constants + size_t(i - wandering) * n_;
            for (size_t k = 0; k < n_; ++k) to[k] = double(from[k] + record.state.x[i]);
        }
    }

    // Work out what the step from a row with filtered mean `x` to the next one needs.
    static void factor(MotionFactor<Real>& out, const MotionGaussian<Real>& predicted,
                       const MotionGaussian<Real>& next, const MotionTransition<Real>& f, const Real* x) {
        constexpr int M = motion_noises;
        const Real q[M] = {f.q_u,          f.q_v,         f.q_psi,   f.q_place, f.q_place, f.q_bias_accel,
                           f.q_bias_accel, f.q_bias_gyro, f.q_slope, f.q_slope, f.q_slide, f.q_slide};
        out.f = f;
        if (f.walks) {
            solve<M>(out, predicted, next, q, x);
        } else {
            solve<motion_quick>(out, predicted, next, q, x);
        }
    }

    template <int M>
    static void solve(MotionFactor<Real>& out, const MotionGaussian<Real>& predicted,
                      const MotionGaussian<Real>& next, const Real* q, const Real* x) {
        using namespace motion;
        constexpr int S = padded(count);
        const MotionTransition<Real>& f = out.f;
        Real C[count][S];
        for (int i = 0; i < count; ++i) {
            out.shift[i] = next.x[i] - predicted.x[i];
            out.x[i] = x[i];
            for (int j = 0; j < count; ++j) C[i][j] = predicted.P[i][j];
        }
        cholesky<Real, count>(C, Real(1e-13));
        // Y = C^-1 G Q, then X = C'^-1 Y = P^-1 G Q; both [count][M].
        Real(*X)[motion_noises] = out.X;
        for (int i = 0; i < count; ++i) {
            for (int m = 0; m < M; ++m) X[i][m] = Real(0);
        }
        X[u][0] = q[0];
        X[v][1] = q[1];
        X[psi][2] = q[2];
        X[u][2] = q[2] * f.gyro_u;
        X[v][2] = q[2] * f.gyro_v;
        for (int m = motion_quick; m < M; ++m) X[motion_walk_state(m)][m] = q[m];
        for (int i = 0; i < count; ++i) {
            for (int a = 0; a < i; ++a) {
                for (int m = 0; m < M; ++m) X[i][m] -= C[i][a] * X[a][m];
            }
            const Real inverse = C[i][i] > Real(0) ? Real(1) / C[i][i] : Real(0);
            for (int m = 0; m < M; ++m) X[i][m] *= inverse;
        }
        Real W[M][padded(M)];
        for (int a = 0; a < M; ++a) {
            for (int b = 0; b < M; ++b) {
                Real sum = a == b ? q[a] : Real(0);
                for (int i = 0; i < count; ++i) sum -= X[i][a] * X[i][b];
                W[a][b] = sum;
            }
        }
        cholesky<Real, M>(W, Real(1e-12));
        for (int a = 0; a < M; ++a) {
            for (int b = 0; b < M; ++b) out.V[a][b] = W[a][b];
        }
        for (int i = count; i-- > 0;) {
            for (int a = i + 1; a < count; ++a) {
                for (int m = 0; m < M; ++m) X[i][m] -= C[a][i] * X[a][m];
            }
            const Real inverse = C[i][i] > Real(0) ? Real(1) / C[i][i] : Real(0);
            for (int m = 0; m < M; ++m) X[i][m] *= inverse;
        }
    }

    // Take draws [low, high) from the row after `k` back to row k.
    void back(size_t k, const MotionFactor<Real>& factor, size_t low, size_t high) {
        using namespace motion;
        for (int i = 0; i < count; ++i) {
            const Real shift = factor.shift[i];
            Real* d = row(d_, i);
            for (size_t j = low; j < high; ++j) d[j] += shift;
        }
        const int noises = factor.f.walks ? motion_noises : motion_quick;
        for (int m = 0; m < noises; ++m) {
            Real* w = row(w_, m);
            for (size_t j = low; j < high; ++j) w[j] = Real(0);
            for (int i = 0; i < count; i += 4) {
                const Real a = factor.X[i][m], b = factor.X[i + 1][m];
                const Real c = factor.X[i + 2][m], e = factor.X[i + 3][m];
                const Real *da = row(d_, i), *db = row(d_, i + 1), *dc = row(d_, i + 2), *de = row(d_, i + 3);
                for (size_t j = low; j < high; ++j) w[j] += (a * da[j] + b * db[j]) + (c * dc[j] + e * de[j]);
            }
            for (int b = 0; b <= m; ++b) {
                const Real a = factor.V[m][b];
                if (a == Real(0)) continue;
                const float* z = normals(k, b);
                for (size_t j = low; j < high; ++j) w[j] += a * Real(z[j]);
            }
        }
        undo(factor.f, low, high);
    }

    // Put down what row k looks like in draws [low, high); `slot` counts rows within the segment.
    void put(size_t k, size_t slot, const MotionTransition<Real>& f, const Real* x, size_t low, size_t high) {
        using namespace motion;
        const Real g = settings_.gravity;
        const Real c = cos(x[psi]);
        const Real s = sin(x[psi]);
        const Real per = f.dt > Real(0) ? Real(1) / f.dt : Real(0);
        const Real ax = Real(rows_.ax[k]) - x[bias_ax];
        const Real ay = Real(rows_.ay[k]) - x[bias_ay];
        const Real gz = Real(rows_.gz[k]) - x[bias_gz];
        Real* to[motion_draw_quantities];
        for (int q = 0; q < motion_draw_quantities; ++q)
            to[q] = out_ + (size_t(q) * motion_segment + slot) * n_;
        const Real *du = row(d_, u), *dv = row(d_, v), *dp = row(d_, psi), *ds = row(d_, distance);
        const Real *bx = row(d_, bias_ax), *by = row(d_, bias_ay), *bg = row(d_, bias_gz);
        const Real *se = row(d_, slope_east), *sn = row(d_, slope_north), *kg = row(d_, gyro_scale);
        const Real *cp = row(d_, squat), *cr = row(d_, roll);
        for (size_t j = low; j < high; ++j) {
            const Real cj = c - s * dp[j];
            const Real sj = s + c * dp[j];
            const Real e = x[slope_east] + se[j];
            const Real n = x[slope_north] + sn[j];
            to[0][j] = x[u] + du[j];
            to[1][j] = x[v] + dv[j];
            to[2][j] = (Real(1) + x[gyro_scale] + kg[j]) * (gz - bg[j]) + w_[2 * n_ + j] * per;
            to[3][j] =
                (ax - bx[j]) * (Real(1) - g * (x[squat] + cp[j])) - g * (e * cj + n * sj) + w_[j] * per;
            to[4][j] =
                (ay - by[j]) * (Real(1) - g * (x[roll] + cr[j])) - g * (n * cj - e * sj) + w_[n_ + j] * per;
            to[5][j] = x[distance] + ds[j];
            to[6][j] = x[psi] + dp[j];
        }
    }

    // Hand the rows [first, first + rows) over to the output; they lie from `slot` on within the segment.
    void flush(size_t first, size_t rows, size_t slot) {
        const size_t length = window_.last - window_.first;
        for (int q = 0; q < motion_draw_quantities; ++q) {
            const Real* from = out_ + (size_t(q) * motion_segment + slot) * n_;
            for (size_t j = 0; j < n_; ++j) {
                double* to = window_.out[q] + j * length + (first - window_.first);
                for (size_t k = 0; k < rows; ++k) to[k] = double(from[k * n_ + j]);
            }
        }
    }

  private:
    Real* row(Real* base, int i) const { return base + size_t(i) * n_; }

    // Standard normal numbers of noise i in the step from row k to the next one.
    const float* normals(size_t k, int i) const {
        if (i < motion_quick) {
            return window_.steps + ((k - window_.first) * size_t(motion_quick) + size_t(i)) * n_;
        }
        const size_t every = size_t(settings_.walk_every);
        const size_t slot = (k + 1) / every - window_.first / every;
        return window_.walks + (slot * size_t(motion_slow) + size_t(i - motion_quick)) * n_;
    }

    // d = F^-1 (d - G w): walks, heading, then the pair (u, v), then what is integrated from them.
    void undo(const MotionTransition<Real>& f, size_t low, size_t high) {
        using namespace motion;
        if (f.walks) {
            const Real grown = Real(1) / f.slide_keep;
            for (int m = motion_quick; m < motion_noises; ++m) {
                const int state = motion_walk_state(m);
                Real* d = row(d_, state);
                const Real* w = row(w_, m);
                for (size_t j = low; j < high; ++j) d[j] -= w[j];
                if (state < slide_front) continue;
                for (size_t j = low; j < high; ++j) d[j] *= grown;
            }
        }
        const Real inverse = Real(1) / (Real(1) - f.u_v * f.v_u);
        Real *e = row(d_, east), *n = row(d_, north), *p = row(d_, psi), *a = row(d_, u), *b = row(d_, v);
        Real* s = row(d_, distance);
        const Real *bx = row(d_, bias_ax), *by = row(d_, bias_ay), *bg = row(d_, bias_gz);
        const Real *se = row(d_, slope_east), *sn = row(d_, slope_north), *kg = row(d_, gyro_scale);
        const Real *cp = row(d_, squat), *cr = row(d_, roll);
        const Real *w0 = row(w_, 0), *w1 = row(w_, 1), *w2 = row(w_, 2);
        for (size_t j = low; j < high; ++j) {
            const Real turn = p[j] - w2[j] - f.psi_bias * bg[j] - f.psi_scale * kg[j];
            const Real ua = a[j] - w0[j] - f.gyro_u * w2[j] - f.u_psi * turn - f.u_bias_ax * bx[j] -
                            f.u_bias_gz * bg[j] - f.u_slope_east * se[j] - f.u_slope_north * sn[j] -
                            f.u_scale * kg[j] - f.u_squat * cp[j];
            const Real va = b[j] - w1[j] - f.gyro_v * w2[j] - f.v_psi * turn - f.v_bias_ay * by[j] -
                            f.v_bias_gz * bg[j] - f.v_slope_east * se[j] - f.v_slope_north * sn[j] -
                            f.v_scale * kg[j] - f.v_roll * cr[j];
            const Real un = (ua - f.u_v * va) * inverse;
            const Real vn = (va - f.v_u * ua) * inverse;
            p[j] = turn;
            a[j] = un;
            b[j] = vn;
            e[j] -= f.east_psi * turn + f.east_u * un + f.east_v * vn;
            n[j] -= f.north_psi * turn + f.north_u * un + f.north_v * vn;
            s[j] -= f.distance_u * un;
        }
    }

    const MotionSettings<Real>& settings_;
    const MotionRows& rows_;
    const MotionWindow& window_;
    size_t n_;
    Real* d_;  // deviation of every draw from the filtered mean [count][draws]
    Real* w_;
    Real* out_;
};

// Draw one window. `kept` and `adjoints` as the two passes left them. The window must not span a restart.
template <typename Real>
Status motion_draw(const MotionSettings<Real>& settings, const MotionRows& rows, const MotionFixes& fixes,
                   const MotionRestarts& restarts, const MotionGaussian<Real>* kept,
                   const MotionAdjoint<Real>* adjoints, const MotionWindow& window,
                   MotionRecord<Real>* records, MotionGaussian<Real>* predicted, MotionFactor<Real>* factors,
                   Real* work) {
    static_assert(motion::count % 4 == 0, "states are taken four at a time");
    if (window.first >= window.last || window.last > rows.count || window.draws == 0)
        return Status::bad_argument;
    if (window.start == nullptr || window.steps == nullptr || window.walks == nullptr) {
        return Status::bad_argument;
    }
    for (size_t j = 0; j < restarts.count; ++j) {
        if (size_t(restarts.row[j]) > window.first && size_t(restarts.row[j]) < window.last) {
            return Status::bad_argument;
        }
    }
    MotionPass<Real> pass(settings, rows, fixes, restarts);
    MotionDraw<Real> draw(settings, rows, window, work);
    const size_t end = window.last - 1;
    MotionGaussian<Real> above_predicted;  // of the first row of the segment above, and what became of it
    MotionGaussian<Real> above;
    MotionTransition<Real> from_above{};
    for (size_t segment = end / motion_segment + 1; segment-- > window.first / motion_segment;) {
        const size_t first = segment * motion_segment;
        const size_t last = first + motion_segment < rows.count ? first + motion_segment : rows.count;
        MotionGaussian<Real> state = kept[segment];
        pass.place(first);
        for (size_t k = first; k < last; ++k)
            pass.step(state, &records[k - first], &predicted[k - first], nullptr);
        size_t top = last;
        if (end < last) {
            MotionAdjoint<Real> adjoint = adjoints[segment];
            for (size_t k = last; k-- > end + 1;) {
                motion_back(adjoint, records[k - first], pass);
                motion_predict_adjoint(adjoint, records[k - first].transition);
            }
            const MotionRecord<Real>& record = records[end - first];
            draw.begin(record, adjoint);
            draw.put(end, end - first, record.transition, record.state.x, 0, window.draws);
            top = end;
        }
        const size_t low = window.first > first ? window.first : first;
        for (size_t k = low; k < top; ++k) {
            const bool inside = k + 1 < last;
            draw.factor(factors[k - first], inside ? predicted[k + 1 - first] : above_predicted,
                        inside ? records[k + 1 - first].state : above,
                        inside ? records[k + 1 - first].transition : from_above, records[k - first].state.x);
        }
        for (size_t a = 0; a < window.draws; a += motion_draw_block) {
            const size_t b = a + motion_draw_block < window.draws ? a + motion_draw_block : window.draws;
            for (size_t k = top; k-- > low;) {
                const MotionFactor<Real>& factor = factors[k - first];
                draw.back(k, factor, a, b);
                draw.put(k, k - first, factor.f, factor.x, a, b);
            }
        }
        above_predicted = predicted[0];
        above = records[0].state;
        from_above = records[0].transition;
        const size_t high = end < last ? end + 1 : last;
        draw.flush(low, high - low, low - first);
    }
    return Status::ok;
}

}  // namespace fifthwheel
