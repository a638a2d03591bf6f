// Forward filter and backward smoother over a whole recording, in the caller's buffers.
//
// The forward pass keeps the state of knowledge only at the start of each segment; the backward pass filters
// each segment again into a small buffer and goes back over it. That costs one more forward pass and saves
// nine tenths of the memory traffic; it is what keeps the storage near 200 bytes a row. Both passes do the
// same sums in the same order, so the second is the first to the last bit.
#pragma once

#include <fifthwheel/motion.hpp>

namespace fifthwheel {

constexpr size_t motion_segment = 48;    // rows between two kept states
constexpr int motion_row_capacity = 16;  // scalar measurements a row can hold

// Rows of a recording on one time base per boot. Missing readings are not-a-number. Pointers marked * may be
// null.
struct MotionRows {
    size_t count = 0;
    const double* t = nullptr;           // [s]
    const float* ax = nullptr;           // specific force at the centre of gravity [m/s2]
    const float* ay = nullptr;           //
    const float* gz = nullptr;           // turn rate [rad/s]
    const float* slow_ax = nullptr;      // * the same, smoothed over about 0.1 s
    const float* slow_ay = nullptr;      // *
    const float* slow_gz = nullptr;      // *
    const float* noise_x = nullptr;      // power spectral density of the specific force [m2/s3]
    const float* noise_y = nullptr;      //
    const float* noise_r = nullptr;      // * power spectral density of the turn rate [rad2/s]
    const float* guide = nullptr;        // * calm forward speed for derivatives [m/s]
    const float* steer = nullptr;        // * [rad]
    const float* wheel_speed = nullptr;  // * [count][4], rad/s
    const float* wheel_variance =
        nullptr;                       // [count][4], (m/s)^2 at the stated radius; 0 leaves a reading out
    const float* wheel_own = nullptr;  // * variance of the single reading; wheel_variance where null
    const float* wheel_load =
        nullptr;  // * [count][4], m/s2 that the wheel's tyre force gives its share of the car
    const float* wheel_slide = nullptr;  // * [count][4], size of the slip that a slide of one stands for [1]
    float lateral_memory = 1;            // variance as white noise over variance of a single value
    const float* lateral_variance = nullptr;  // * (m/s)^2; 0 leaves the lateral constraint out
    const uint8_t* still = nullptr;           // * 1 where the car is known to stand
};

// GNSS fixes in order of row. `offset`: time of validity after the row's time [s].
struct MotionFixes {
    size_t count = 0;
    float velocity_memory = 1;  // variance as white noise over variance of a single fix
    float position_memory = 1;
    const int64_t* row = nullptr;
    const float* offset = nullptr;
    const double* east = nullptr;
    const double* north = nullptr;
    const float* position_variance = nullptr;
    const float* velocity_east = nullptr;
    const float* velocity_north = nullptr;
    const float* velocity_variance = nullptr;
    const float* speed = nullptr;  // used where the velocity is missing
    const float* speed_variance = nullptr;
};

// Rows at which the car's movement starts afresh. `mean` and `sd`: [count][wandering]; a negative sd keeps
// the state.
struct MotionRestarts {
    size_t count = 0;
    const int64_t* row = nullptr;
    const double* mean = nullptr;
    const double* sd = nullptr;
};

// Normalised innovation squared per group of sensors: sum and number of readings used whole, number
// re-weighted or left out.
struct MotionConsistency {
    static constexpr int groups = 5;  // free wheels, loaded wheels, lateral, GNSS velocity, GNSS position
    double sum[groups] = {};
    int64_t whole[groups] = {};
    int64_t doubted[groups] = {};
};

template <typename Real>
struct MotionRecord {
    MotionGaussian<Real> state;         // after the row's measurements
    MotionTransition<Real> transition;  // from the row before
    int restart;                        // states [0, restart) began afresh here (index into restarts + 1)
    int applied_count;
    MotionApplied<Real> applied[motion_row_capacity];
};

// Smoothed output; every pointer is an array of `count`.
struct MotionOutput {
    static constexpr int quantities = 10;  // east north psi u v distance r ax ay theta
    double* mean[quantities] = {};
    float* sd[quantities] = {};
    size_t sd_every =
        5;  // standard deviations are worked out at every so many rows and drawn straight between
};

template <typename Real>
class MotionPass {
  public:
    MotionPass(const MotionSettings<Real>& settings, const MotionRows& rows, const MotionFixes& fixes,
               const MotionRestarts& restarts)
        : settings_(settings), rows_(rows), fixes_(fixes), restarts_(restarts) {}

    // Go to row `row` with the state of knowledge that holds before that row's restart and measurements.
    void place(size_t row) {
        row_ = row;
        fix_ = lower(fixes_.row, fixes_.count, row);
        restart_ = lower(restarts_.row, restarts_.count, row);
    }

    // Predict from the row before (unless first or restarted) and apply the measurements of the row.
    void step(MotionGaussian<Real>& state, MotionRecord<Real>* record, MotionGaussian<Real>* predicted,
              MotionConsistency* consistency) {
        const size_t k = row_;
        MotionTransition<Real> f{};
        const bool afresh = restart_ < restarts_.count && size_t(restarts_.row[restart_]) == k;
        if (k > 0) {
            MotionInput<Real> in = input(k - 1);
            if (afresh) in.dt = in.walk = Real(0);
            f = motion_predict(settings_, state, in);
        }
        int restarted = 0;
        if (afresh) {
            restart(state);
            restarted = int(restart_) + 1;
            ++restart_;
        }
        if (predicted != nullptr) *predicted = state;
        if (record != nullptr) {
            record->transition = f;
            record->restart = restarted;
            record->applied_count = 0;
        }
        measure(state, k, record, consistency);
        if (record != nullptr) record->state = state;
        ++row_;
    }

    MotionInput<Real> input(size_t k) const {
        MotionInput<Real> in;
        Real dt = Real(rows_.t[k + 1] - rows_.t[k]);
        if (!(dt > Real(0))) dt = Real(0);
        in.dt = dt;
        in.ax = Real(0.5) * (Real(rows_.ax[k]) + Real(rows_.ax[k + 1]));
        in.ay = Real(0.5) * (Real(rows_.ay[k]) + Real(rows_.ay[k + 1]));
        in.gz = Real(0.5) * (Real(rows_.gz[k]) + Real(rows_.gz[k + 1]));
        in.noise_x = Real(rows_.noise_x[k]);
        in.noise_y = Real(rows_.noise_y[k]);
        in.noise_r = rows_.noise_r != nullptr ? Real(rows_.noise_r[k]) : settings_.gyro_noise;
        in.slow_ax = Real(rows_.slow_ax != nullptr ? rows_.slow_ax[k] : rows_.ax[k]);
        in.slow_ay = Real(rows_.slow_ay != nullptr ? rows_.slow_ay[k] : rows_.ay[k]);
        in.slow_gz = slow_rate(k);
        const size_t every = size_t(settings_.walk_every);
        in.walk = (k + 1) % every == 0 ? dt * Real(every) : Real(0);
        return in;
    }

    bool keeps(int restart, int state) const {
        return restart == 0 || state >= motion::wandering ||
               !(restarts_.sd[size_t(restart - 1) * motion::wandering + size_t(state)] >= 0.0);
    }

  private:
    Real slow_rate(size_t k) const { return Real(rows_.slow_gz != nullptr ? rows_.slow_gz[k] : rows_.gz[k]); }

    // Lateral acceleration for the tyres, from the smoothed reading.
    Real slow_lateral(const Real* x, size_t k) const {
        const Real ay = Real(rows_.slow_ay != nullptr ? rows_.slow_ay[k] : rows_.ay[k]);
        return motion_rates(settings_, x, Real(0), ay, Real(0)).ay;
    }

    static size_t lower(const int64_t* row, size_t count, size_t wanted) {
        size_t low = 0;
        size_t high = count;
        while (low < high) {
            const size_t middle = (low + high) / 2;
            if (size_t(row[middle]) < wanted) {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        return low;
    }

    void restart(MotionGaussian<Real>& state) const {
        Real mean[motion::wandering];
        Real sd[motion::wandering];
        for (int i = 0; i < motion::wandering; ++i) {
            mean[i] = Real(restarts_.mean[restart_ * motion::wandering + size_t(i)]);
            sd[i] = Real(restarts_.sd[restart_ * motion::wandering + size_t(i)]);
        }
        motion_restart(state, mean, sd, motion::wandering);
    }

    void apply(MotionGaussian<Real>& state, const SparseRow<Real>& h, Real innovation, Real variance,
               Real own, const Gate<Real>& gate, int group, MotionRecord<Real>* record,
               MotionConsistency* consistency) {
        MotionApplied<Real>* slot = nullptr;
        if (applied_ >= motion_row_capacity) return;
        if (record != nullptr) slot = &record->applied[applied_];
        const Verdict<Real> verdict = scalar_update(state, h, innovation, variance, own, gate, slot);
        if (verdict.applied) ++applied_;
        if (record != nullptr) record->applied_count = applied_;
        if (consistency == nullptr || group < 0) return;
        if (verdict.whole) {
            consistency->sum[group] += double(verdict.nis);
            ++consistency->whole[group];
        } else {
            ++consistency->doubted[group];
        }
    }

    void measure(MotionGaussian<Real>& state, size_t k, MotionRecord<Real>* record,
                 MotionConsistency* consistency) {
        applied_ = 0;
        const bool still = rows_.still != nullptr && rows_.still[k] != 0;
        if (still) stand(state, k, record);
        if (!still && rows_.lateral_variance != nullptr && rows_.lateral_variance[k] > 0.0F) {
            SparseRow<Real> h;
            const Real y = -lateral_prediction(settings_, state.x, Real(rows_.gz[k]), slow_rate(k),
                                               slow_lateral(state.x, k), h);
            const Real variance = Real(rows_.lateral_variance[k]);
            apply(state, h, y, variance, variance / Real(rows_.lateral_memory),
                  Gate<Real>{Tail::redescending, Real(3), Real(1e15)}, 2, record, consistency);
        }
        if (!still && rows_.wheel_speed != nullptr) {
            for (int wheel = 0; wheel < 4; wheel += 2) {
                if (settings_.pair_wheels) {
                    roll_axle(state, k, wheel, record, consistency);
                } else {
                    roll_one(state, k, wheel, record, consistency);
                    roll_one(state, k, wheel + 1, record, consistency);
                }
            }
        }
        while (fix_ < fixes_.count && size_t(fixes_.row[fix_]) == k) {
            locate(state, k, fix_, record, consistency);
            ++fix_;
        }
    }

    void stand(MotionGaussian<Real>& state, size_t k, MotionRecord<Real>* record) {
        using namespace motion;
        const Gate<Real> gate{Tail::heavy, Real(3), Real(1e15)};
        SparseRow<Real> hu;
        hu.add(u, Real(1));
        apply(state, hu, -state.x[u], settings_.still_speed_variance, settings_.still_speed_variance, gate,
              -1, record, nullptr);
        SparseRow<Real> hv;
        hv.add(v, Real(1));
        apply(state, hv, -state.x[v], settings_.still_speed_variance, settings_.still_speed_variance, gate,
              -1, record, nullptr);
        SparseRow<Real> hr;
        hr.add(bias_gz, Real(1));
        apply(state, hr, Real(rows_.gz[k]) - state.x[bias_gz], settings_.still_rate_variance,
              settings_.still_rate_variance, gate, -1, record, nullptr);
    }

    // One wheel as it reads at row k.
    struct Wheel {
        Real y = Real(0);
        Real variance = Real(0);
        Real own = Real(0);
        Real load = Real(0);
        bool there = false;
    };

    Wheel read_wheel(const Real* x, size_t k, int wheel, Real part, SparseRow<Real>& h) const {
        Wheel out;
        const size_t at = k * 4 + size_t(wheel);
        out.variance = Real(rows_.wheel_variance[at]);
        const Real omega = Real(rows_.wheel_speed[at]);
        out.there = out.variance > Real(0) && finite(omega);
        if (!out.there) return out;
        out.own = rows_.wheel_own != nullptr ? Real(rows_.wheel_own[at]) : out.variance;
        out.load = rows_.wheel_load != nullptr ? Real(rows_.wheel_load[at]) : Real(0);
        const Real steer = rows_.steer != nullptr && finite(rows_.steer[k]) ? Real(rows_.steer[k]) : Real(0);
        const Real guide = rows_.guide != nullptr ? Real(rows_.guide[k]) : x[motion::u];
        const Real size = rows_.wheel_slide != nullptr ? Real(rows_.wheel_slide[at]) : Real(0);
        const Real gz = Real(rows_.gz[k]);
        out.y = omega * settings_.radius[wheel] - wheel_prediction(settings_, x, wheel, gz, slow_rate(k),
                                                                   out.load, size, steer, guide, part, h);
        return out;
    }

    void roll_one(MotionGaussian<Real>& state, size_t k, int wheel, MotionRecord<Real>* record,
                  MotionConsistency* consistency) {
        SparseRow<Real> h;
        const Wheel w = read_wheel(state.x, k, wheel, Real(1), h);
        if (w.there) roll(state, w, h, record, consistency);
    }

    // Both wheels of an axle as one reading while they agree; the likelier one alone while they do not.
    void roll_axle(MotionGaussian<Real>& state, size_t k, int left, MotionRecord<Real>* record,
                   MotionConsistency* consistency) {
        SparseRow<Real> h;
        const Wheel a = read_wheel(state.x, k, left, Real(0.5), h);
        const Wheel b = read_wheel(state.x, k, left + 1, Real(0.5), h);
        if (!a.there && !b.there) return;
        const Real apart = a.y - b.y;
        if (a.there && b.there &&
            apart * apart <
                Real(16) * (a.own + b.own) + Real(4e-4) * state.x[motion::u] * state.x[motion::u]) {
            Wheel both = a;
            both.y = (a.y + b.y) / Real(2);
            both.variance = (a.variance + b.variance) / Real(4);
            both.own = (a.own + b.own) / Real(4);
            both.load = (a.load + b.load) / Real(2);
            roll(state, both, h, record, consistency);
            return;
        }
        const bool first = a.there && (!b.there || a.y * a.y < b.y * b.y);
        roll_one(state, k, first ? left : left + 1, record, consistency);
    }

    void roll(MotionGaussian<Real>& state, const Wheel& wheel, const SparseRow<Real>& h,
              MotionRecord<Real>* record, MotionConsistency* consistency) {
        // A wheel under torque errs to one side: fast under drive, slow under braking.
        const Real size = wheel.y > Real(0) ? wheel.y : -wheel.y;
        const bool suspect = wheel.load * wheel.y > settings_.light_load * size;
        Gate<Real> gate{Tail::redescending, Real(3), Real(10)};
        if (suspect) gate = Gate<Real>{Tail::redescending, Real(2), Real(4)};
        if (settings_.trust_wheels) gate = Gate<Real>{Tail::heavy, Real(3), Real(1e15)};
        const bool loaded = wheel.load > settings_.light_load || wheel.load < -settings_.light_load;
        apply(state, h, wheel.y, wheel.variance, wheel.own, gate, loaded ? 1 : 0, record, consistency);
    }

    void locate(MotionGaussian<Real>& state, size_t k, size_t j, MotionRecord<Real>* record,
                MotionConsistency* consistency) {
        const bool place = fixes_.position_variance != nullptr && fixes_.position_variance[j] > 0.0F;
        const bool velocity = fixes_.velocity_variance != nullptr && fixes_.velocity_variance[j] > 0.0F;
        const bool speed = !velocity && fixes_.speed_variance != nullptr && fixes_.speed_variance[j] > 0.0F;
        const Real offset = Real(fixes_.offset[j]);
        if (velocity) {
            const Gate<Real> gate{Tail::heavy, Real(3), Real(1e15)};
            for (int axis = 0; axis < 2; ++axis) {
                SparseRow<Real> h;
                const Real z = Real(axis == 0 ? fixes_.velocity_east[j] : fixes_.velocity_north[j]);
                const Real y = z - velocity_prediction(state.x, k, offset, axis, h);
                apply(state, h, y, Real(fixes_.velocity_variance[j]),
                      Real(fixes_.velocity_variance[j] / fixes_.velocity_memory), gate, 3, record,
                      consistency);
            }
        } else if (speed) {
            SparseRow<Real> h;
            const Real y = Real(fixes_.speed[j]) - speed_prediction(state.x, k, offset, h);
            const Gate<Real> gate{Tail::heavy, Real(3), Real(1e15)};
            apply(state, h, y, Real(fixes_.speed_variance[j]),
                  Real(fixes_.speed_variance[j] / fixes_.velocity_memory), gate, 3, record, consistency);
        }
        if (place) {
            const Gate<Real> gate{Tail::redescending, Real(3), Real(1e15)};
            for (int axis = 0; axis < 2; ++axis) {
                SparseRow<Real> h;
                const Real z = Real(axis == 0 ? fixes_.east[j] : fixes_.north[j]);
                const Real y = z - position_prediction(state.x, k, offset, axis, h);
                apply(state, h, y, Real(fixes_.position_variance[j]),
                      Real(fixes_.position_variance[j] / fixes_.position_memory), gate, 4, record,
                      consistency);
            }
        }
    }

    AntennaMotion<Real> antenna(const Real* x, size_t k) const {
        // Smoothed readings: the noise of a raw one would pull the estimate of the latency.
        const Real ax = Real(rows_.slow_ax != nullptr ? rows_.slow_ax[k] : rows_.ax[k]);
        const Real ay = Real(rows_.slow_ay != nullptr ? rows_.slow_ay[k] : rows_.ay[k]);
        MotionRates<Real> rates = motion_rates(settings_, x, ax, ay, Real(rows_.gz[k]));
        return antenna_motion(settings_, x, rates);
    }

    Real velocity_prediction(const Real* x, size_t k, Real offset, int axis, SparseRow<Real>& h) const {
        using namespace motion;
        const AntennaMotion<Real> a = antenna(x, k);
        const Real late = offset - x[latency];
        const Real scale = Real(1) + x[gyro_scale];
        const Real px = settings_.antenna_x;
        const Real py = settings_.antenna_y;
        if (axis == 0) {
            h.add(psi, -a.velocity_north);
            h.add(u, a.c);
            h.add(v, -a.s);
            h.add(bias_gz, scale * (py * a.c + px * a.s));
            h.add(latency, -a.accel_east);
            return a.velocity_east + a.accel_east * late;
        }
        h.add(psi, a.velocity_east);
        h.add(u, a.s);
        h.add(v, a.c);
        h.add(bias_gz, scale * (py * a.s - px * a.c));
        h.add(latency, -a.accel_north);
        return a.velocity_north + a.accel_north * late;
    }

    Real speed_prediction(const Real* x, size_t k, Real offset, SparseRow<Real>& h) const {
        using namespace motion;
        const AntennaMotion<Real> a = antenna(x, k);
        Real total = sqrt(a.ua * a.ua + a.va * a.va);
        if (total < Real(1e-3)) total = Real(1e-3);
        const Real along = (a.accel_east * a.velocity_east + a.accel_north * a.velocity_north) / total;
        h.add(u, a.ua / total);
        h.add(v, a.va / total);
        h.add(latency, -along);
        return total + along * (offset - x[latency]);
    }

    Real position_prediction(const Real* x, size_t k, Real offset, int axis, SparseRow<Real>& h) const {
        using namespace motion;
        const AntennaMotion<Real> a = antenna(x, k);
        const Real late = offset - x[latency];
        if (axis == 0) {
            h.add(east, Real(1));
            h.add(psi, -(a.north - x[north]) - a.velocity_north * late);
            h.add(u, a.c * late);
            h.add(v, -a.s * late);
            h.add(latency, -a.velocity_east);
            return a.east + a.velocity_east * late;
        }
        h.add(north, Real(1));
        h.add(psi, (a.east - x[east]) + a.velocity_east * late);
        h.add(u, a.s * late);
        h.add(v, a.c * late);
        h.add(latency, -a.velocity_north);
        return a.north + a.velocity_north * late;
    }

    const MotionSettings<Real>& settings_;
    const MotionRows& rows_;
    const MotionFixes& fixes_;
    const MotionRestarts& restarts_;
    size_t row_ = 0;
    size_t fix_ = 0;
    size_t restart_ = 0;
    int applied_ = 0;
};

// Number of kept states for `rows` rows.
constexpr size_t motion_segments(size_t rows) { return (rows + motion_segment - 1) / motion_segment; }

inline Status check_motion(const MotionRows& rows, const MotionFixes& fixes, const MotionRestarts& restarts) {
    if (rows.count == 0 || rows.t == nullptr || rows.ax == nullptr || rows.ay == nullptr ||
        rows.gz == nullptr) {
        return Status::bad_argument;
    }
    if (rows.noise_x == nullptr || rows.noise_y == nullptr) return Status::bad_argument;
    if (rows.wheel_speed != nullptr && rows.wheel_variance == nullptr) return Status::bad_argument;
    for (size_t k = 0; k < rows.count; ++k) {
        if (!finite(rows.t[k]) || !finite(rows.ax[k]) || !finite(rows.ay[k]) || !finite(rows.gz[k])) {
            return Status::not_finite;
        }
    }
    for (size_t j = 0; j < fixes.count; ++j) {
        if (fixes.row[j] < 0 || size_t(fixes.row[j]) >= rows.count) return Status::bad_argument;
        if (j > 0 && fixes.row[j] < fixes.row[j - 1]) return Status::bad_argument;
    }
    for (size_t j = 0; j < restarts.count; ++j) {
        if (restarts.row[j] < 0 || size_t(restarts.row[j]) >= rows.count) return Status::bad_argument;
        if (j > 0 && restarts.row[j] <= restarts.row[j - 1]) return Status::bad_argument;
    }
    return Status::ok;
}

// Filter all rows forward. `kept`: [motion_segments(rows)], the state of knowledge before the first row of
// each segment.
template <typename Real>
Status motion_forward(const MotionSettings<Real>& settings, const MotionRows& rows, const MotionFixes& fixes,
                      const MotionRestarts& restarts, MotionGaussian<Real>* kept, MotionGaussian<Real>* last,
                      MotionConsistency* consistency) {
    const Status status = check_motion(rows, fixes, restarts);
    if (status != Status::ok) return status;
    MotionPass<Real> pass(settings, rows, fixes, restarts);
    MotionGaussian<Real> state = motion_start(settings);
    pass.place(0);
    for (size_t k = 0; k < rows.count; ++k) {
        if (k % motion_segment == 0) kept[k / motion_segment] = state;
        pass.step(state, nullptr, nullptr, consistency);
    }
    for (int i = 0; i < motion::count; ++i) {
        if (!finite(state.x[i]) || !finite(state.P[i][i])) return Status::not_finite;
    }
    *last = state;
    return Status::ok;
}

// Take the adjoint from after row k back to before it (measurements, restart, prediction).
template <typename Real>
void motion_back(MotionAdjoint<Real>& adjoint, const MotionRecord<Real>& record,
                 const MotionPass<Real>& pass) {
    for (int m = record.applied_count; m-- > 0;) adjoint_update(adjoint, record.applied[m]);
    if (record.restart > 0) {
        for (int i = 0; i < motion::wandering; ++i) {
            if (!pass.keeps(record.restart, i)) adjoint.forget(i);
        }
    }
}

// Smoothed quantities of one row; interval values (r, ax, ay) hold from this row to the next.
template <typename Real>
struct MotionSmoothed {
    Real x[motion::count];
    Real ax, ay, r;
};

template <typename Real>
class MotionBackward {
  public:
    MotionBackward(const MotionSettings<Real>& settings, const MotionRows& rows, MotionPass<Real>& pass,
                   const MotionOutput& out)
        : settings_(settings), rows_(rows), pass_(pass), out_(out) {}

    // Write row k from its filtered record and the adjoint after it; `push` = adjoint before the next
    // prediction.
    void write(size_t k, const MotionRecord<Real>& record, const MotionAdjoint<Real>& adjoint, bool sd) {
        using namespace motion;
        Real x[padded(count)];
        smoothed_means(record.state, adjoint, x);
        for (int i = 0; i < moving; ++i) out_.mean[i][k] = double(x[i]);
        const MotionRates<Real> rates =
            motion_rates(settings_, x, Real(rows_.ax[k]), Real(rows_.ay[k]), Real(rows_.gz[k]));
        out_.mean[6][k] = double(rates.r + step_r_);
        out_.mean[7][k] = double(rates.ax + step_x_);
        out_.mean[8][k] = double(rates.ay + step_y_);
        const Real c = cos(x[psi]);
        const Real s = sin(x[psi]);
        out_.mean[9][k] = double(x[slope_east] * c + x[slope_north] * s + x[squat] * rates.ax);
        if (sd) deviations(k, record, adjoint, x, rates);
    }

    // Remember what later data say about the noise of the step from row k - 1 to row k, taken before the step
    // is undone.
    void listen(const MotionAdjoint<Real>& adjoint, const MotionTransition<Real>& f) {
        using namespace motion;
        if (!(f.dt > Real(0))) {
            step_x_ = step_y_ = step_r_ = Real(0);
            return;
        }
        step_x_ = -f.q_u / f.dt * adjoint.l[u];
        step_y_ = -f.q_v / f.dt * adjoint.l[v];
        step_r_ = -f.q_psi / f.dt * (adjoint.l[psi] + f.gyro_u * adjoint.l[u] + f.gyro_v * adjoint.l[v]);
        noise_x_ = f.q_u / (f.dt * f.dt);
        noise_y_ = f.q_v / (f.dt * f.dt);
        noise_r_ = f.q_psi / (f.dt * f.dt);
    }

  private:
    void deviations(size_t k, const MotionRecord<Real>& record, const MotionAdjoint<Real>& adjoint,
                    const Real* x, const MotionRates<Real>& rates) {
        using namespace motion;
        for (int i = 0; i < moving; ++i) {
            SparseRow<Real> w;
            w.add(i, Real(1));
            out_.sd[i][k] = float(sqrt(smoothed_variance(record.state, adjoint, w)));
        }
        const Real g = settings_.gravity;
        const Real c = cos(x[psi]);
        const Real s = sin(x[psi]);
        SparseRow<Real> wr;
        wr.add(bias_gz, Real(-1));
        wr.add(gyro_scale, rates.r);
        SparseRow<Real> wx;
        wx.add(bias_ax, Real(-1));
        wx.add(slope_east, -g * c);
        wx.add(slope_north, -g * s);
        wx.add(squat, -g * rates.ax);
        SparseRow<Real> wy;
        wy.add(bias_ay, Real(-1));
        wy.add(slope_east, g * s);
        wy.add(slope_north, -g * c);
        wy.add(roll, -g * rates.ay);
        SparseRow<Real> wt;
        wt.add(slope_east, c);
        wt.add(slope_north, s);
        wt.add(squat, rates.ax);
        out_.sd[6][k] = float(sqrt(smoothed_variance(record.state, adjoint, wr) + noise_r_));
        out_.sd[7][k] = float(sqrt(smoothed_variance(record.state, adjoint, wx) + noise_x_));
        out_.sd[8][k] = float(sqrt(smoothed_variance(record.state, adjoint, wy) + noise_y_));
        out_.sd[9][k] = float(sqrt(smoothed_variance(record.state, adjoint, wt)));
    }

    const MotionSettings<Real>& settings_;
    const MotionRows& rows_;
    MotionPass<Real>& pass_;
    const MotionOutput& out_;
    Real step_x_ = Real(0), step_y_ = Real(0), step_r_ = Real(0);
    Real noise_x_ = Real(0), noise_y_ = Real(0), noise_r_ = Real(0);
};

// Draw standard deviations straight between the rows at which they were worked out.
inline void fill_deviations(const MotionOutput& out, size_t count) {
    const size_t every = out.sd_every;
    for (int q = 0; q < MotionOutput::quantities; ++q) {
        float* sd = out.sd[q];
        for (size_t a = 0; a < count; a += every) {
            const size_t b = a + every < count ? a + every : count - 1;
            for (size_t k = a + 1; k < b; ++k) {
                sd[k] = sd[a] + (sd[b] - sd[a]) * float(k - a) / float(b - a);
            }
        }
    }
}

// Smooth all rows backward. `kept` as the forward pass left it; `adjoints`: [motion_segments(rows)], filled
// with the adjoint after the last row of each segment (for drawing later); `buffer`: [motion_segment]
// records.
template <typename Real>
Status motion_backward(const MotionSettings<Real>& settings, const MotionRows& rows, const MotionFixes& fixes,
                       const MotionRestarts& restarts, const MotionGaussian<Real>* kept,
                       MotionAdjoint<Real>* adjoints, MotionRecord<Real>* buffer, const MotionOutput& out) {
    if (kept == nullptr || adjoints == nullptr || buffer == nullptr || out.sd_every == 0)
        return Status::bad_argument;
    MotionPass<Real> pass(settings, rows, fixes, restarts);
    MotionBackward<Real> back(settings, rows, pass, out);
    MotionAdjoint<Real> adjoint;
    adjoint.clear();
    for (size_t segment = motion_segments(rows.count); segment-- > 0;) {
        const size_t first = segment * motion_segment;
        const size_t last = first + motion_segment < rows.count ? first + motion_segment : rows.count;
        adjoints[segment] = adjoint;
        MotionGaussian<Real> state = kept[segment];
        pass.place(first);
        for (size_t k = first; k < last; ++k) pass.step(state, &buffer[k - first], nullptr, nullptr);
        for (size_t k = last; k-- > first;) {
            const MotionRecord<Real>& record = buffer[k - first];
            back.write(k, record, adjoint, k % out.sd_every == 0 || k + 1 == rows.count);
            motion_back(adjoint, record, pass);
            back.listen(adjoint, record.transition);
            if (k > 0) motion_predict_adjoint(adjoint, record.transition);
        }
    }
    fill_deviations(out, rows.count);
    return Status::ok;
}

}  // namespace fifthwheel
