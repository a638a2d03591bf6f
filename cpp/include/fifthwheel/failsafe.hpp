// What an actuator gets: what was asked for while every input is good, a stated safe state otherwise.
//
// Troubles and states are those of car.toml: on radio loss, link loss, stale data, reboot and brown-out an
// actuator goes off, to neutral, holds, or brakes. Where several troubles are there at once the strongest
// state wins: brake, then off, then neutral, then hold. It recovers when all inputs were good for a stated
// time without a break and, where that is stated (motors), the asked value is at zero in that moment. After
// a start the actuator waits in the state of reboot (or brown-out) in the same way.
//
// One task calls command() once a period, with the time at which the newest data of each input were made,
// not when they were passed on: data that pass through a second board then age on the way as well. Times are
// microseconds of 64 bits: they do not wrap. With a stated rate a safe value is approached, not jumped to:
// while it is, an actuator still has power.
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/status.hpp>

namespace fifthwheel {

enum class Trouble : uint8_t { radio_loss = 0, link_loss = 1, stale_data = 2, reboot = 3, brown_out = 4 };
constexpr int troubles = 5;

enum class SafeState : uint8_t { off = 0, neutral = 1, hold = 2, brake = 3 };

// An input that must be fresh: which trouble it is when its data are older than `oldest` [us].
struct FailsafeInput {
    Trouble trouble;
    uint32_t oldest;
};

// How one actuator behaves. Values in the unit of its command.
struct FailsafeActuator {
    SafeState on[troubles];  // by Trouble
    float low;               // commands are held within [low, high]
    float high;
    float neutral;      // value of SafeState::neutral, and of off until it is reached
    float brake;        // value of SafeState::brake
    float rate;         // [unit/s] at which a safe value is approached; 0: at once
    uint32_t good_for;  // [us] all inputs must have been good before it recovers
    bool needs_zero;    // it recovers only while the asked value is within `zero` of neutral
    float zero;
    bool moves;  // a motor: it must not hold
};

// What goes to the actuator.
struct FailsafeOutput {
    float value = 0.0F;
    bool powered = false;  // false: no pulses, stage disabled
    bool safe = true;      // true: a safe state, not what was asked for
    uint8_t because = 0;   // troubles that are there, bit 1 << Trouble; 0 while it waits to recover
};

constexpr bool is_finite(float x) { return x - x == 0.0F; }

// True when limits, values and times of an actuator can be obeyed: values within limits, a motor never holds,
// and inputs good for longer than the oldest data allowed, so that one lone message recovers nothing.
template <size_t N>
constexpr bool failsafe_sound(const FailsafeActuator& a, const FailsafeInput (&inputs)[N]) {
    if (!is_finite(a.low) || !is_finite(a.high) || !is_finite(a.rate) || !(a.rate >= 0.0F)) return false;
    if (!(a.low <= a.neutral && a.neutral <= a.high && a.low <= a.brake && a.brake <= a.high)) return false;
    if (a.needs_zero && !(is_finite(a.zero) && a.zero >= 0.0F)) return false;
    for (int t = 0; t < troubles; ++t) {
        if (uint8_t(a.on[t]) > uint8_t(SafeState::brake)) return false;
        if (a.moves && a.on[t] == SafeState::hold) return false;
    }
    for (size_t k = 0; k < N; ++k) {
        if (uint8_t(inputs[k].trouble) >= troubles) return false;
        if (inputs[k].oldest == 0U || a.good_for <= inputs[k].oldest) return false;
    }
    return true;
}

// The failsafe of one actuator with `Inputs` inputs.
template <int Inputs>
class Failsafe {
    static_assert(Inputs >= 1, "an actuator without an input to watch has no failsafe");

  public:
    // `start`: Trouble::brown_out where the reset cause says so, else Trouble::reboot. An actuator whose
    // description is not sound stays off for good.
    Failsafe(const FailsafeActuator& actuator, const FailsafeInput (&inputs)[Inputs], Trouble start)
        : actuator_(actuator), sound_(failsafe_sound(actuator, inputs)) {
        for (int k = 0; k < Inputs; ++k) inputs_[k] = inputs[k];
        out_.value = sound_ ? actuator.neutral : 0.0F;
        out_.because = bit(start);
        state_ = state_of(bit(start));
    }

    // Return what the actuator gets now. asked: the command wanted. now [us]. made [us]: when the newest data
    // of each input were made, 0 for none yet. brown_out: the supply is below its limit at present. An asked
    // value that is not finite is stale data.
    FailsafeOutput command(float asked, uint64_t now, const uint64_t (&made)[Inputs],
                           bool brown_out = false) {
        if (!sound_) return out_;
        // A clock that goes back is a fault of the program: nothing can be said of ages.
        const bool clock_good = !called_ || now >= now_;
        const float elapsed = called_ && clock_good ? float(now - now_) * 1e-6F : 0.0F;
        // Nobody looked after the inputs for so long that goodness without a break is not known.
        const bool gap = called_ && clock_good && now - now_ > actuator_.good_for;
        called_ = true;
        now_ = now;
        uint8_t found = found_in(now, made);
        if (brown_out) found = uint8_t(found | bit(Trouble::brown_out));
        if (!is_finite(asked) || !clock_good) found = uint8_t(found | bit(Trouble::stale_data));
        if (found != 0U) {
            state_ = waiting_ ? stronger(state_, state_of(found)) : state_of(found);
            waiting_ = true;
            good_ = false;
        } else if (!good_ || gap) {
            good_ = true;
            since_ = now;
        }
        if (waiting_ && good_ && now - since_ >= actuator_.good_for && at_zero(asked)) waiting_ = false;
        out_.because = found;
        out_.safe = waiting_;
        if (waiting_) {
            make_safe(elapsed);
        } else {
            out_.value = asked < actuator_.low    ? actuator_.low
                         : asked > actuator_.high ? actuator_.high
                                                  : asked;
            out_.powered = true;
        }
        return out_;
    }

  private:
    static constexpr uint8_t bit(Trouble t) { return uint8_t(1U << unsigned(t)); }

    // Order of strength: brake, off, neutral, hold.
    static int strength(SafeState s) {
        switch (s) {
            case SafeState::brake:
                return 3;
            case SafeState::off:
                return 2;
            case SafeState::neutral:
                return 1;
            case SafeState::hold:
                break;
        }
        return 0;
    }
    static SafeState stronger(SafeState a, SafeState b) { return strength(a) >= strength(b) ? a : b; }
    SafeState state_of(uint8_t found) const {
        SafeState s = SafeState::hold;
        for (int t = 0; t < troubles; ++t) {
            if ((found >> t & 1U) != 0U) s = stronger(s, actuator_.on[t]);
        }
        return s;
    }
    uint8_t found_in(uint64_t now, const uint64_t (&made)[Inputs]) const {
        uint8_t found = 0;
        for (int k = 0; k < Inputs; ++k) {
            // Another core or board may stamp data a little later than `now`; far in the future is no time.
            const uint64_t oldest = inputs_[k].oldest;
            const bool fresh = made[k] > now ? made[k] - now <= oldest / 8 : now - made[k] <= oldest;
            if (made[k] == 0U || !fresh) found = uint8_t(found | bit(inputs_[k].trouble));
        }
        return found;
    }
    bool at_zero(float asked) const {
        if (!actuator_.needs_zero) return true;
        const float off = asked - actuator_.neutral;
        return off <= actuator_.zero && -off <= actuator_.zero;
    }
    void make_safe(float elapsed) {
        if (state_ == SafeState::hold) return;
        const float target = state_ == SafeState::brake ? actuator_.brake : actuator_.neutral;
        const float most = actuator_.rate * elapsed;
        const float way = target - out_.value;
        const bool arrives = actuator_.rate == 0.0F || !out_.powered || (way <= most && -way <= most);
        out_.value = arrives ? target : out_.value + (way > 0.0F ? most : -most);
        if (arrives) out_.powered = state_ != SafeState::off;
    }

    FailsafeActuator actuator_;
    FailsafeInput inputs_[Inputs]{};
    bool sound_;
    bool called_ = false;
    bool waiting_ = true;
    bool good_ = false;
    SafeState state_ = SafeState::off;
    uint64_t now_ = 0;
    uint64_t since_ = 0;
    FailsafeOutput out_;
};

}  // namespace fifthwheel
