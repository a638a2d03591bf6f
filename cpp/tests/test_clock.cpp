// The other board's clock: the formulas of RFC 5905 (vectors/clock.txt), and simulated links whose truth is
// known.
#include <cmath>
#include <fifthwheel/clock.hpp>
#include <random>
#include <string>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

enum class Jitter { none, exponential, uniform, one_way, bursts, spikes };

constexpr double wire_us = 400.0;  // 40 bytes at 1 Mbit/s

double delay(Jitter kind, bool there, double t, std::mt19937_64& random) {
    std::exponential_distribution<double> exponential(1.0);
    std::uniform_real_distribution<double> uniform(0.0, 1.0);
    switch (kind) {
        case Jitter::none:
            return 0.0;
        case Jitter::exponential:
            return 200.0 * exponential(random);
        case Jitter::uniform:  // a task that looks every 5 ms
            return 5000.0 * uniform(random);
        case Jitter::one_way:  // frames queue in one direction only
            return there ? 3000.0 * uniform(random) : 20.0 * exponential(random);
        case Jitter::bursts:  // a second of every seven is busy
            return (std::fmod(t, 7e6) < 1e6 ? 8000.0 : 100.0) * exponential(random);
        case Jitter::spikes:  // a card write now and then
            return 30.0 * exponential(random) + (uniform(random) < 0.2 ? 250000.0 * uniform(random) : 0.0);
    }
    return 0.0;
}

// A clock that starts somewhere, runs fast or slow and wanders; times in microseconds of this board.
struct OtherClock {
    double start = 0.0;
    double rate = 0.0;
    double swing = 0.0;  // of the rate, over `period`
    double period = 1e9;

    double offset(double t) const {
        const double w = 2.0 * std::acos(-1.0) / period;
        return start + rate * t + swing / w * (1.0 - std::cos(w * t));
    }
};

struct Score {
    int judged = 0;
    int outside = 0;      // of the bound
    int outside_two = 0;  // of two standard uncertainties
    double worst = 0.0;   // error
    double mean_bound = 0.0;
    double best_single = 0.0;
    double rate_error = 0.0;  // at the end [ppm]
    double rate_bound = 0.0;
    uint32_t steps = 0;
};

Score run(const OtherClock& clock, Jitter kind, uint64_t seed, double interval_us = 1e6,
          int exchanges = 300) {
    std::mt19937_64 random(seed);
    fw::ClockLimits limits;
    limits.least_us = uint32_t(wire_us * 0.95);
    fw::ClockEstimate<> estimate(limits);
    Score score;
    double t = 12345.0;
    for (int k = 0; k < exchanges; ++k) {
        t += interval_us;
        const double t1 = t;
        const double there = t1 + wire_us + delay(kind, true, t, random);
        const double back = there + 80.0;
        const double t4 = back + wire_us + delay(kind, false, t, random);
        fw::ClockExchange x;
        x.asked = uint64_t(t1);
        x.heard = uint64_t(int64_t(there + clock.offset(there)));  // may lie before zero
        x.answered = uint64_t(int64_t(back + clock.offset(back)));
        x.received = uint64_t(t4);
        REQUIRE(estimate.take(x) == fw::Status::ok);
        t = t4;
        if (k < 20) continue;
        // Judged at the exchange and until the next one.
        for (const double later : {0.0, 0.5 * interval_us, interval_us}) {
            const auto now = uint64_t(t4 + later);
            const fw::ClockState s = estimate.at(now);
            const double error = std::fabs(double(s.offset_us) - clock.offset(double(now)));
            ++score.judged;
            score.outside += int(error > double(s.bound_us));
            score.outside_two += int(error > 2.0 * double(s.uncertainty_us));
            score.worst = std::fmax(score.worst, error);
            score.mean_bound += double(s.bound_us);
            score.rate_bound = double(s.rate_bound_ppm);
            const double w = 2.0 * std::acos(-1.0) / clock.period;
            const double rate = clock.rate + clock.swing * std::sin(w * double(now));
            score.rate_error = std::fabs(double(s.rate_ppm) - rate * 1e6);
            CHECK(score.rate_error <= score.rate_bound);
        }
    }
    score.mean_bound /= double(score.judged);
    score.steps = estimate.steps();
    return score;
}

}  // namespace

TEST_CASE("offset and delay of one exchange are those of RFC 5905") {
    const Vectors v("clock.txt");
    for (const char* name : {"even", "uneven", "behind"}) {
        const auto& row = v.at(name);
        const fw::ClockExchange x{uint64_t(row[0]), uint64_t(row[1]), uint64_t(row[2]), uint64_t(row[3])};
        CHECK(x.offset() == int64_t(row[4]));
        CHECK(x.delay() == int64_t(row[5]));
        fw::ClockEstimate<> estimate(fw::ClockLimits{});
        REQUIRE(estimate.take(x) == fw::Status::ok);
        const fw::ClockState s = estimate.at(x.received);
        CHECK(s.known);
        CHECK(std::llabs(s.offset_us - x.offset()) <= 1);
        // Of one exchange no more is known than half its delay.
        CHECK(double(s.bound_us) == doctest::Approx(double(x.delay()) / 2.0).epsilon(0.02));
        CHECK(s.uncertainty_us == doctest::Approx(double(s.bound_us) / std::sqrt(3.0)).epsilon(1e-6));
    }
}

TEST_CASE("the true offset never lies outside the bound, whatever the link does") {
    for (const Jitter kind : {Jitter::none, Jitter::exponential, Jitter::uniform, Jitter::one_way,
                              Jitter::bursts, Jitter::spikes}) {
        for (const double rate : {0.0, 40e-6, -150e-6}) {
            for (const double swing : {0.0, 2e-6}) {  // 2 ppm over 300 s: 0.04 ppm/s at most
                CAPTURE(int(kind));
                CAPTURE(rate);
                const OtherClock clock{-3.3e9, rate, swing, 300e6};
                const Score s = run(clock, kind, 1 + uint64_t(kind));
                CHECK(s.judged > 800);
                CHECK(s.outside == 0);
                CHECK(s.outside_two == 0);
                CHECK(s.steps == 0);
            }
        }
    }
}

TEST_CASE("jitter is filtered: many exchanges know far more than one") {
    const OtherClock clock{1e9, 35e-6, 1e-6, 300e6};
    // Half the mean delay beyond the wire, what one exchange knows: 200 us, 2,500 us, 750 us, ...
    CHECK(run(clock, Jitter::none, 2).mean_bound < 40.0);
    CHECK(run(clock, Jitter::exponential, 3).mean_bound < 80.0);
    CHECK(run(clock, Jitter::uniform, 4).mean_bound < 700.0);
    CHECK(run(clock, Jitter::one_way, 5).mean_bound < 250.0);
    CHECK(run(clock, Jitter::spikes, 6).mean_bound < 60.0);
    const Score quick = run(clock, Jitter::exponential, 7, 1e5, 3000);
    CHECK(quick.outside == 0);
    CHECK(quick.mean_bound < 50.0);
    CHECK(run(clock, Jitter::exponential, 8).rate_bound < 20.0);
}

TEST_CASE("a clock that was set anew is told, and known again from the next exchange") {
    fw::ClockLimits limits;
    limits.least_us = 380;
    fw::ClockEstimate<> estimate(limits);
    for (uint64_t k = 1; k < 40; ++k) {
        const uint64_t t = k * 1000000;
        REQUIRE(estimate.take({t, t + 5000400, t + 5000450, t + 850}) == fw::Status::ok);
    }
    CHECK(estimate.steps() == 0);
    const uint64_t t = 41000000;
    REQUIRE(estimate.take({t, t + 900400, t + 900450, t + 850}) == fw::Status::ok);
    CHECK(estimate.steps() == 1);
    const fw::ClockState s = estimate.at(t + 850);
    CHECK(std::fabs(double(s.offset_us) - 900000.0) <= double(s.bound_us));
}

TEST_CASE("a rate beyond the limit is not covered up") {
    const OtherClock clock{0.0, 900e-6, 0.0, 1e9};
    CHECK([&] {
        fw::ClockLimits limits;
        limits.least_us = 380;
        fw::ClockEstimate<> estimate(limits);
        for (int k = 1; k < 60; ++k) {
            const double t = k * 1e6;
            const double there = t + 400.0;
            const double back = there + 80.0;
            (void)estimate.take({uint64_t(t), uint64_t(there + clock.offset(there)),
                                 uint64_t(back + clock.offset(back)), uint64_t(back + 400.0)});
        }
        return estimate.steps() > 10;
    }());
}

TEST_CASE("exchanges that cannot have been are refused") {
    fw::ClockLimits limits;
    limits.least_us = 380;
    fw::ClockEstimate<> estimate(limits);
    CHECK(!estimate.at(0).known);
    CHECK(estimate.take({1000, 5000, 5100, 900}) == fw::Status::bad_argument);   // answered before asked
    CHECK(estimate.take({1000, 5000, 4999, 2000}) == fw::Status::bad_argument);  // sent before heard
    CHECK(estimate.take({1000, 5000, 5100, 1200}) == fw::Status::bad_argument);  // faster than the wire
    CHECK(estimate.take({1000, 5000, 5100, 20000000}) ==
          fw::Status::bad_argument);  // too late to say anything
    CHECK(estimate.take({1000, 5000, 5100, 2000}) == fw::Status::ok);
    CHECK(estimate.take({900, 4900, 5000, 1900}) == fw::Status::bad_argument);  // before the last one
    CHECK(estimate.refused() == 5);
    CHECK(estimate.at(2000).known);
    estimate.forget();
    CHECK(!estimate.at(2000).known);
}
