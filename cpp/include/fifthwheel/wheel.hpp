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
#include <fifthwheel/status.hpp>

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

// A frame of 16 bits of a common magnetic encoder: bit 15 makes the number of ones even, bit 14 asks for a
// reading in a command and tells an error in an answer, 14 bits are an address or data. Source: data sheet of
// a common 14-bit magnetic SPI encoder.
constexpr uint16_t encoder_data = 0x3FFFU;
constexpr uint16_t encoder_flag = 0x4000U;
constexpr uint16_t encoder_angle_address = 0x3FFFU;
constexpr uint16_t encoder_error_address = 0x0001U;  // reading it clears the error

constexpr bool even_ones(uint16_t frame) {
    uint32_t x = frame;
    x ^= x >> 8;
    x ^= x >> 4;
    x ^= x >> 2;
    x ^= x >> 1;
    return (x & 1U) == 0U;
}

// The command that reads what lies at `address`.
constexpr uint16_t encoder_read(uint16_t address) {
    const uint16_t frame = uint16_t((address & encoder_data) | encoder_flag);
    return even_ones(frame) ? frame : uint16_t(frame | 0x8000U);
}

// Talks to such an encoder. Its answer to a command comes in the next frame, so what arrives answers the
// command before. After an answer with an error flag the error register is read once, which clears it.
class EncoderFrames {
  public:
    // The frame to send now.
    uint16_t command() const { return encoder_read(ask_); }

    // Take the frame that arrived while command() was sent. ok: `angle` is new. no_answer: it answers no
    // question about the angle. bad_checksum: wrong parity. device: the encoder tells an error. `angle` is
    // written on ok only.
    Status take(uint16_t frame, uint16_t& angle) {
        const uint16_t answers = asked_;
        asked_ = ask_;
        ask_ = encoder_angle_address;
        if (answers == 0U) return Status::no_answer;
        if (!even_ones(frame)) {
            ++bad_parity_;
            return Status::bad_checksum;
        }
        if (answers == encoder_error_address) {
            errors_ = uint16_t(errors_ | (frame & encoder_data));
            return Status::no_answer;
        }
        if ((frame & encoder_flag) != 0U) {
            ++flagged_;
            // The answer that is under way was asked for before the error is read: it is flagged as well.
            if (asked_ != encoder_error_address) ask_ = encoder_error_address;
            return Status::device;
        }
        angle = frame & encoder_data;
        return Status::ok;
    }

    uint32_t bad_parity() const { return bad_parity_; }  // frames of wrong parity
    uint32_t flagged() const { return flagged_; }        // answers with the error flag
    uint16_t errors() const { return errors_; }          // all bits ever seen in the error register

  private:
    uint16_t ask_ = encoder_angle_address;
    uint16_t asked_ = 0U;
    uint16_t errors_ = 0U;
    uint32_t bad_parity_ = 0;
    uint32_t flagged_ = 0;
};

// How a wheel's speed is worked out of its angle. Defaults without another source: common practice, no
// source.
template <typename Real>
struct WheelOptions {
    int bits = 14;                          // of a turn
    Real threshold = Real(0.008726646);     // turn [rad] after which speed is worked out: 0.5 degree
    Real timeout = Real(0.1);               // [s] without that much turn after which speed is zero
    Real largest_speed = Real(1500);        // [rad/s] the wheel can reach: 14,300 turns a minute
    Real largest_acceleration = Real(1e4);  // [rad/s2] it can reach, in the air or locking
    Real filter = Real(0.002);              // [s] time constant of the filter of speed; 0: none
    int doubt = 3;                          // readings in a row refused before they are believed
};

// Wheel speed on the car: angle counts and their time in, exact turned counts and speed out.
//
// Speed is the turn since its last value over the time it took, worked out whenever the wheel has turned by
// `threshold`, and never over `largest_speed`; while it takes longer, speed is at most threshold over the
// time waited, and zero after `timeout`. It then passes a first-order filter. Delay: delay(), the filter's
// time constant and half of the time over which the turn was taken (a ramp comes out that much later).
//
// A reading is refused when the wheel would have to be faster than `largest_speed`, or to have changed its
// speed faster than `largest_acceleration` since the last one (with four counts of noise and the filter's
// delay allowed for). After `doubt` refusals in a row it is taken as the new angle by the shortest way:
// distance is then only known to whole turns, which `reseated()` counts, and speed is held until it is known
// again; so a board that starts while the wheel turns finds its speed. Where readings are missing for more
// than half a turn, the speed before tells how many turns passed.
template <typename Real>
class WheelSpeed {
  public:
    explicit WheelSpeed(const WheelOptions<Real>& options) : options_(options) {
        const Real turn = Real(uint32_t(1) << unsigned(sound() ? options.bits : 1));
        per_count_ = Real(6.283185307179586) / turn;
        turn_ = int32_t(turn);
    }

    // Take a reading of `raw` counts at `time` [us, may wrap]. out_of_range: refused as impossible.
    Status update(uint32_t raw, uint32_t time) {
        if (!sound()) return Status::bad_argument;
        if (raw >= uint32_t(turn_)) return Status::bad_argument;
        if (!started_) {
            started_ = true;
            before_ = raw;
            time_ = anchor_ = time;
            return Status::ok;
        }
        if (time == time_) return Status::no_answer;  // the same reading again
        const Real dt = seconds(time - time_);
        int32_t step = 0;
        if (!plausible(raw, dt, step)) {
            ++refused_;
            if (++doubted_ < options_.doubt) return Status::out_of_range;
            step = count_step(before_, raw, options_.bits);
            ++reseated_;
            seat(raw, time, step);
            return Status::ok;
        }
        doubted_ = 0;
        turned_ += step;
        pending_ += step;
        before_ = raw;
        time_ = time;
        settle(time, dt);
        return Status::ok;
    }

    int64_t turned() const { return turned_; }       // counts since the first reading
    Real speed() const { return speed_; }            // [rad/s]
    uint32_t refused() const { return refused_; }    // readings
    uint32_t reseated() const { return reseated_; }  // times that refused readings were believed after all
    Real age(uint32_t now) const { return seconds(now - time_); }  // [s] of the last reading that was taken

    // Distance [unit of the radius] since the first reading, exact but for the radius.
    template <typename Out>
    Out distance(Out radius) const {
        return Out(turned_ / turn_) * (Out(6.283185307179586) * radius) +
               Out(turned_ % turn_) * (Out(6.283185307179586) * radius / Out(turn_));
    }

    // Delay [s] of speed() as it is now.
    Real delay() const { return options_.filter + taken_ / Real(2); }

  private:
    bool sound() const {
        return options_.bits >= 2 && options_.bits <= 24 && options_.threshold > Real(0) &&
               options_.timeout > Real(0) && options_.largest_speed > Real(0) &&
               options_.largest_acceleration > Real(0) && options_.filter >= Real(0) && options_.doubt >= 1;
    }
    static Real seconds(uint32_t microseconds) { return Real(microseconds) * Real(1e-6); }
    static Real size(Real x) { return x < Real(0) ? -x : x; }

    // Find the step that is possible and nearest to what the speed says; false when there is none.
    bool plausible(uint32_t raw, Real dt, int32_t& step) const {
        const Real slack = Real(4) * per_count_;
        // Expected counts, bounded so that they fit whatever the time between readings.
        Real expected = known_ ? raw_speed_ * dt / per_count_ : Real(0);
        const Real most = Real(1 << 28);
        expected = expected > most ? most : expected < -most ? -most : expected;
        const int32_t ahead = int32_t(expected);
        step = ahead + count_step(before_ + uint32_t(ahead), raw, options_.bits);
        const Real angle = Real(step) * per_count_;
        if (size(angle) > options_.largest_speed * dt + slack) {
            // Perhaps the speed before was that of another turn: the shortest way.
            step = count_step(before_, raw, options_.bits);
            if (size(Real(step) * per_count_) > options_.largest_speed * dt + slack) return false;
        }
        if (!known_) return true;
        const Real change = size(Real(step) * per_count_ - raw_speed_ * dt);
        return change <= options_.largest_acceleration * (dt + taken_ + waited()) * dt + slack;
    }
    Real waited() const { return seconds(time_ - anchor_); }

    // Begin again at `raw` as if it were where the wheel has turned by `step`.
    void seat(uint32_t raw, uint32_t time, int32_t step) {
        turned_ += step;
        before_ = raw;
        time_ = anchor_ = time;
        pending_ = 0;
        doubted_ = 0;
        known_ = false;
        taken_ = Real(0);
    }

    // Work out the speed from the turn and time since its last value.
    void settle(uint32_t time, Real dt) {
        const Real elapsed = seconds(time - anchor_);
        const Real turned = Real(pending_) * per_count_;
        const Real most = options_.threshold / elapsed;
        if (size(turned) >= options_.threshold) {
            // Counts of noise within microseconds, or of a coarse encoder, are no speed that the wheel can
            // have.
            const Real fastest = options_.largest_speed;
            raw_speed_ = turned / elapsed;
            raw_speed_ = raw_speed_ > fastest ? fastest : raw_speed_ < -fastest ? -fastest : raw_speed_;
            taken_ = elapsed;
            if (!known_) speed_ = raw_speed_;
            known_ = true;
            restart(time);
        } else if (elapsed >= options_.timeout) {
            raw_speed_ = Real(0);
            speed_ = Real(0);
            taken_ = Real(0);
            known_ = true;
            restart(time);
        } else if (size(raw_speed_) > most) {
            raw_speed_ = raw_speed_ > Real(0) ? most : -most;
        } else if (raw_speed_ == Real(0) && elapsed >= options_.timeout / Real(8) &&
                   size(turned) < options_.threshold / Real(8)) {
            restart(time);  // at rest: the first turn is not spread over the rest before it
        }
        if (!(raw_speed_ == Real(0) && speed_ == Real(0))) {
            speed_ += (raw_speed_ - speed_) * (dt / (dt + options_.filter));
        }
    }
    void restart(uint32_t time) {
        pending_ = 0;
        anchor_ = time;
    }

    WheelOptions<Real> options_;
    Real per_count_ = Real(0);  // [rad]
    int32_t turn_ = 2;          // counts
    bool started_ = false;
    bool known_ = false;    // whether raw_speed_ is that of the wheel
    uint32_t before_ = 0;   // counts at the last reading
    uint32_t time_ = 0;     // of it [us]
    uint32_t anchor_ = 0;   // since when the turn is taken [us]
    int64_t turned_ = 0;    // counts
    int64_t pending_ = 0;   // counts since the anchor
    Real taken_ = Real(0);  // [s] over which the last turn was taken
    Real raw_speed_ = Real(0);
    Real speed_ = Real(0);
    int doubted_ = 0;
    uint32_t refused_ = 0;
    uint32_t reseated_ = 0;
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
