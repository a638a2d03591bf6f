// Angle counts of an encoder -> turned counts and wheel speed.
//
// The count wraps at 2^bits. Its step is unambiguous only while the wheel turns less than half a turn between
// samples: limit rpm = 30 / interval [s] (sampling theorem). Where a speed from another source says how many
// whole turns passed, `turned_counts_aided` resolves steps of any length.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/kalman.hpp>

namespace fifthwheel {

// Speed [turns a minute] above which samples `interval` [s] apart no longer tell the direction; 0 for no
// interval.
template <typename Real>
constexpr Real unwrap_limit_rpm(Real interval) {
    return interval > Real(0) ? Real(30) / interval : Real(0);
}

// Signed step from one raw count to the next, in [-2^(bits-1), 2^(bits-1)).
constexpr int32_t count_step(uint32_t before, uint32_t now, int bits) {
    const uint32_t turn = bits >= 32 ? 0U : uint32_t(1) << unsigned(bits);
    const uint32_t difference = now - before;
    if (bits >= 32) return int32_t(difference);
    const uint32_t inside = difference & (turn - 1U);
    return inside >= turn / 2U ? int32_t(inside) - int32_t(turn) : int32_t(inside);
}

// Wheel speed on the car: raw counts in, turned counts and speed out; speed is held at zero after `timeout`
// without a count. Speed comes from the counts of the last `window` seconds at least, so that slow wheels are
// not noisy.
template <typename Real>
class WheelSpeed {
  public:
    WheelSpeed(int bits, Real window, Real timeout) : bits_(bits), window_(window), timeout_(timeout) {}

    Status update(uint32_t raw, Real dt) {
        if (bits_ < 1 || bits_ > 31) return Status::bad_argument;
        if (!(dt >= Real(0)) || !finite(dt)) return Status::not_finite;
        if (!started_) {
            started_ = true;
            before_ = raw;
            return Status::ok;
        }
        const int32_t step = count_step(before_, raw, bits_);
        before_ = raw;
        turned_ += step;
        pending_ += step;
        elapsed_ += dt;
        quiet_ = step == 0 ? quiet_ + dt : Real(0);
        if (quiet_ >= timeout_) {
            speed_ = Real(0);
            pending_ = 0;
            elapsed_ = Real(0);
        } else if (elapsed_ >= window_ && elapsed_ > Real(0) && pending_ != 0) {
            const Real turn = Real(uint32_t(1) << unsigned(bits_));
            speed_ = Real(pending_) * (Real(6.283185307179586) / turn) / elapsed_;
            pending_ = 0;
            elapsed_ = Real(0);
        }
        return Status::ok;
    }

    int64_t turned() const { return turned_; }  // counts since the first sample
    Real speed() const { return speed_; }       // [rad/s]

  private:
    int bits_;
    Real window_;
    Real timeout_;
    bool started_ = false;
    uint32_t before_ = 0;
    int64_t turned_ = 0;
    int64_t pending_ = 0;
    Real elapsed_ = Real(0);
    Real quiet_ = Real(0);
    Real speed_ = Real(0);
};

// Undo the wrap of angles within one turn [rad]: turned[k] = angle turned since the first finite sample. A
// missing sample (not-a-number) gives not-a-number and is bridged.
inline Status unwrap_angle(const double* angle, size_t count, double turn, double* turned) {
    if (angle == nullptr || turned == nullptr || !(turn > 0.0)) return Status::bad_argument;
    double before = 0.0;
    double sum = 0.0;
    bool started = false;
    for (size_t k = 0; k < count; ++k) {
        if (!finite(angle[k])) {
            turned[k] = angle[k] - angle[k];
            continue;
        }
        if (started) {
            const double step = angle[k] - before;
            sum += step - turn * floor(step / turn + 0.5);
        }
        started = true;
        before = angle[k];
        turned[k] = sum;
    }
    return Status::ok;
}

// The same where the wheel may turn many times between samples: `speed` [rad/s] (computed on the car)
// resolves the number of whole turns, the angle gives the rest exactly. Where no speed is known the shortest
// step is taken.
inline Status unwrap_angle_aided(const double* angle, const double* speed, const double* t, size_t count,
                                 double turn, double* turned) {
    if (angle == nullptr || speed == nullptr || t == nullptr || turned == nullptr || !(turn > 0.0)) {
        return Status::bad_argument;
    }
    size_t before = 0;
    double sum = 0.0;
    bool started = false;
    for (size_t k = 0; k < count; ++k) {
        if (!finite(angle[k])) {
            turned[k] = angle[k] - angle[k];
            continue;
        }
        if (started) {
            double expected = 0.0;
            if (finite(speed[k]) && finite(speed[before])) {
                expected = 0.5 * (speed[k] + speed[before]) * (t[k] - t[before]);
            }
            const double step = angle[k] - angle[before];
            sum += step + turn * floor((expected - step) / turn + 0.5);
        }
        started = true;
        before = k;
        turned[k] = sum;
    }
    return Status::ok;
}

}  // namespace fifthwheel
