// How another board's clock stands to this one's, from questions and answers over the link.
//
// The four times of an exchange are those of RFC 5905, section 8 (and of IEEE 1588, 11.3, delay request and
// response): t1 question sent and t4 answer received by this clock, t2 question received and t3 answer sent
// by the other one. Offset = other - this = ((t2 - t1) + (t3 - t4)) / 2, delay = (t4 - t1) - (t3 - t2).
//
// No distribution of the delays is assumed: they are never negative, one-sided and often unequal in the two
// directions. Each exchange bounds the offset instead: no frame arrives in less than its time on the wire w,
// so
//   t3 - t4 + w <= offset <= t2 - t1 - w.
// Bounds of the last exchanges are carried to now with bounds on the rate, which pairs of exchanges give, and
// intersected: those of the least delay decide by themselves. (Intersecting intervals: K. Marzullo, S.
// Owicki, "Maintaining the time in a distributed system", 1983, used by RFC 5905, section 11.2. The offset
// lies inside whatever the delays were, while rate and wander keep their stated limits; an empty intersection
// says that a clock was set anew.)
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/status.hpp>

namespace fifthwheel {

// The four times of one exchange [us].
struct ClockExchange {
    uint64_t asked = 0;     // t1, this clock
    uint64_t heard = 0;     // t2, the other one
    uint64_t answered = 0;  // t3, the other one
    uint64_t received = 0;  // t4, this clock

    constexpr int64_t delay() const { return int64_t(received - asked) - int64_t(answered - heard); }
    constexpr int64_t offset() const { return (int64_t(heard - asked) + int64_t(answered - received)) / 2; }
};

struct ClockLimits {
    uint32_t least_us = 0;  // the least time from stamp to stamp in either direction: that on the wire
    uint32_t grain_us = 1;  // what a stamp is read to
    float rate =
        200e-6F;  // how far the two clocks' rates ever differ [1]; crystals: 100e-6 each, common practice
    float wander =
        0.05e-6F;  // how fast that difference changes [1/s]: 1e-6 per kelvin, 0.05 K/s, common practice
};

// How the other clock stands at a time of this one: other = this + offset.
struct ClockState {
    bool known = false;
    int64_t offset_us = 0;  // middle of what is possible
    float bound_us = 0.0F;  // half of what is possible: the true offset is no further away
    float uncertainty_us =
        0.0F;  // standard uncertainty of a rectangular distribution, bound / sqrt(3) (JCGM 100, 4.3.7)
    float rate_ppm = 0.0F;  // how fast the offset grows, middle of what is possible
    float rate_bound_ppm = 0.0F;
};

// Keeps the last `window` exchanges (24 bytes each) and what they say together. Cost of an exchange: `window`
// steps.
template <size_t window = 32>
class ClockEstimate {
    static_assert(window >= 2, "a rate needs two exchanges");

  public:
    explicit ClockEstimate(const ClockLimits& limits) : limits_(limits) { forget(); }

    // Take one exchange; times of this clock must not fall. bad_argument: the times cannot be, and nothing is
    // taken.
    Status take(const ClockExchange& x) {
        const auto turn = int64_t(x.received - x.asked);
        const auto there = int64_t(x.answered - x.heard);
        const int64_t grains = 2 * int64_t(limits_.grain_us);
        const int64_t spare = turn - there - 2 * int64_t(limits_.least_us) + 2 * grains;
        if (turn < 0 || there < 0 || turn > longest || spare < 0 || (count_ > 0 && x.received < newest_)) {
            ++refused_;
            return Status::bad_argument;
        }
        // While question and answer were under way the offset itself moved.
        const int64_t margin = grains + int64_t(limits_.rate * float(turn)) + 1;
        Bounds made;
        made.at = x.received;
        made.low = int64_t(x.answered - x.received) + int64_t(limits_.least_us) - margin;
        made.high = int64_t(x.heard - x.asked) - int64_t(limits_.least_us) + margin;
        if (count_ > 0 && !fits(made)) {
            forget();
            ++steps_;
        }
        narrow_rate(made);
        kept_[next_] = made;
        next_ = (next_ + 1) % window;
        if (count_ < window) ++count_;
        newest_ = made.at;
        return Status::ok;
    }

    // The other clock at time `now` of this one, which is not before the last exchange.
    ClockState at(uint64_t now) const {
        ClockState s;
        if (count_ == 0) return s;
        float low = 0.0F;
        float high = 0.0F;
        const int64_t base = kept_[(next_ + window - 1) % window].low;
        carry(now, base, &low, &high);
        s.known = true;
        s.offset_us = base + int64_t((low + high) / 2.0F);
        s.bound_us = (high - low) / 2.0F + 1.0F;  // the middle is cut to a whole microsecond
        s.uncertainty_us = s.bound_us * 0.57735027F;
        const float grown = limits_.wander * seconds(now - newest_);
        s.rate_ppm = (rate_low_ + rate_high_) / 2.0F * 1e6F;
        s.rate_bound_ppm = ((rate_high_ - rate_low_) / 2.0F + grown) * 1e6F;
        return s;
    }

    // Forget everything, as when the other board has started again.
    void forget() {
        count_ = 0;
        next_ = 0;
        rate_low_ = -limits_.rate;
        rate_high_ = limits_.rate;
    }

    uint32_t steps() const { return steps_; }      // times that exchanges contradicted one another
    uint32_t refused() const { return refused_; }  // exchanges that cannot have been

  private:
    static constexpr int64_t longest = 10000000;  // an answer after more than 10 s says nothing

    struct Bounds {
        uint64_t at;
        int64_t low;
        int64_t high;
    };

    static float seconds(uint64_t us) { return float(us) * 1e-6F; }

    // How far the offset may have grown in `us` at a rate of at most `rate` now, or at least: with the sign
    // of wander.
    float growth(uint64_t us, float rate, float wander) const {
        return (rate + wander * seconds(us) * 0.5F) * float(us);
    }

    // Bounds of the offset at `now` relative to `base` from all exchanges kept.
    void carry(uint64_t now, int64_t base, float* low, float* high) const {
        const float old = seconds(now - newest_) * limits_.wander;
        for (size_t i = 0; i < count_; ++i) {
            const uint64_t age = now - kept_[i].at;
            // Rate bounds hold for the newest exchange: spans before it and after it wander by at most their
            // length.
            const float up = growth(age, rate_high_ + old, limits_.wander);
            const float down = growth(age, rate_low_ - old, -limits_.wander);
            const float this_low = float(kept_[i].low - base) + down;
            const float this_high = float(kept_[i].high - base) + up;
            if (i == 0 || this_low > *low) *low = this_low;
            if (i == 0 || this_high < *high) *high = this_high;
        }
    }

    // Whether a new exchange can be true together with those kept.
    bool fits(const Bounds& made) const {
        float low = 0.0F;
        float high = 0.0F;
        carry(made.at, made.low, &low, &high);
        return low <= float(made.high - made.low) && high >= 0.0F;
    }

    // Mean rates between each exchange kept and the new one bound the rate at the new one.
    void narrow_rate(const Bounds& made) {
        if (count_ == 0) return;
        const float grown = limits_.wander * seconds(made.at - newest_);
        rate_low_ = larger(rate_low_ - grown, -limits_.rate);
        rate_high_ = smaller(rate_high_ + grown, limits_.rate);
        for (size_t i = 0; i < count_; ++i) {
            const uint64_t span = made.at - kept_[i].at;
            if (span == 0) continue;
            const float half = limits_.wander * seconds(span) * 0.5F;
            rate_low_ = larger(rate_low_, float(made.low - kept_[i].high) / float(span) - half);
            rate_high_ = smaller(rate_high_, float(made.high - kept_[i].low) / float(span) + half);
        }
        if (rate_low_ > rate_high_) {  // rounding, where both bounds meet
            const float middle = (rate_low_ + rate_high_) / 2.0F;
            rate_low_ = middle;
            rate_high_ = middle;
        }
    }

    static float larger(float a, float b) { return a > b ? a : b; }
    static float smaller(float a, float b) { return a < b ? a : b; }

    ClockLimits limits_;
    Bounds kept_[window];
    size_t count_ = 0;
    size_t next_ = 0;
    uint64_t newest_ = 0;
    float rate_low_ = 0.0F;
    float rate_high_ = 0.0F;
    uint32_t steps_ = 0;
    uint32_t refused_ = 0;
};

}  // namespace fifthwheel
