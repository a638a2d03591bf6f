// The failsafe never passes a command on while an input is stale, whatever the sequence of troubles; it
// recovers when it should and not before. Troubles and states are those of car.toml (docs/plan.md, latency
// and failsafe); times are common practice, no source.
#include <cmath>
#include <fifthwheel/failsafe.hpp>
#include <limits>
#include <vector>

#include "vendor/doctest.h"

namespace fw = fifthwheel;
using fw::SafeState;
using fw::Trouble;

namespace {

constexpr fw::FailsafeInput inputs[] = {
    {Trouble::radio_loss, 100000U}, {Trouble::link_loss, 50000U}, {Trouble::stale_data, 20000U}};
constexpr fw::FailsafeActuator motor = {
    {SafeState::off, SafeState::off, SafeState::brake, SafeState::off, SafeState::off},
    -1.0F,
    1.0F,
    0.0F,
    -0.5F,
    0.0F,
    500000U,
    true,
    0.05F,
    true};
constexpr fw::FailsafeActuator servo = {
    {SafeState::neutral, SafeState::neutral, SafeState::hold, SafeState::off, SafeState::neutral},
    -0.4F,
    0.4F,
    0.1F,
    0.1F,
    2.0F,
    300000U,
    false,
    0.0F,
    false};
static_assert(fw::failsafe_sound(motor, inputs));
static_assert(fw::failsafe_sound(servo, inputs));

using Of = fw::Failsafe<3>;

// Inputs that come every millisecond unless they are cut.
struct World {
    uint64_t now = 1000000U;
    uint64_t made[3] = {0U, 0U, 0U};
    bool cut[3] = {false, false, false};
    bool brown_out = false;

    fw::FailsafeOutput step(Of& f, float asked, uint64_t dt = 1000U) {
        now += dt;
        for (int k = 0; k < 3; ++k) {
            if (!cut[k]) made[k] = now - 500U;
        }
        return f.command(asked, now, made, brown_out);
    }
    // Run for `ms` milliseconds; return the last output.
    fw::FailsafeOutput run(Of& f, float asked, int ms) {
        fw::FailsafeOutput out;
        for (int k = 0; k < ms; ++k) out = step(f, asked);
        return out;
    }
};

void check_state(const fw::FailsafeOutput& out, const fw::FailsafeActuator& a, SafeState state, float held) {
    CHECK(out.safe);
    switch (state) {
        case SafeState::off:
            CHECK(!out.powered);
            break;
        case SafeState::neutral:
            CHECK(out.powered);
            CHECK(out.value == a.neutral);
            break;
        case SafeState::hold:
            CHECK(out.value == held);
            break;
        case SafeState::brake:
            CHECK(out.powered);
            CHECK(out.value == a.brake);
            break;
    }
}

}  // namespace

TEST_CASE("each trouble leads to its stated state, as soon as the data are too old") {
    for (const auto* actuator : {&motor, &servo}) {
        for (int k = 0; k < 3; ++k) {
            Of f(*actuator, inputs, Trouble::reboot);
            World w;
            CHECK(!w.run(f, 0.0F, 502).safe);
            CHECK(w.run(f, 0.3F, 10).value == 0.3F);
            w.cut[k] = true;
            // Data are 0.5 ms old at the last good step, so this many steps are within the limit.
            const int allowed = int(inputs[k].oldest / 1000U) - 1;
            for (int n = 0; n < allowed; ++n) CHECK(!w.step(f, 0.3F).safe);
            w.step(f, 0.3F);
            CHECK(w.step(f, 0.3F).safe);
            const auto out = w.run(f, 0.3F, 400);
            CHECK(out.because == 1U << unsigned(inputs[k].trouble));
            check_state(out, *actuator, actuator->on[int(inputs[k].trouble)], 0.3F);
        }
        Of f(*actuator, inputs, Trouble::reboot);
        World w;
        w.run(f, 0.0F, 502);
        w.brown_out = true;
        const auto out = w.run(f, 0.3F, 400);
        check_state(out, *actuator, actuator->on[int(Trouble::brown_out)], 0.0F);
        CHECK(out.because == 1U << unsigned(Trouble::brown_out));
    }
}

TEST_CASE("after a start it waits in the state of the reset, for good inputs and a throttle at zero") {
    for (const Trouble start : {Trouble::reboot, Trouble::brown_out}) {
        fw::FailsafeActuator a = motor;
        a.on[int(Trouble::reboot)] = SafeState::neutral;
        a.on[int(Trouble::brown_out)] = SafeState::brake;
        Of f(a, inputs, start);
        World w;
        check_state(w.step(f, 1.0F), a, a.on[int(start)], 0.0F);
        CHECK(w.run(f, 1.0F, 5000).safe);  // the throttle is never at zero
        CHECK(w.run(f, 0.06F, 100).safe);
        CHECK(!w.run(f, 0.05F, 1).safe);
        CHECK(w.run(f, 1.0F, 1).value == 1.0F);
    }
}

TEST_CASE("it recovers after inputs were good without a break for the stated time, not before") {
    Of f(servo, inputs, Trouble::reboot);
    World w;
    for (int n = 0; n < 300; ++n) CHECK(w.step(f, 0.2F).safe);
    CHECK(!w.step(f, 0.2F).safe);
    w.cut[1] = true;
    CHECK(w.run(f, 0.2F, 60).safe);
    w.cut[1] = false;
    for (int n = 0; n < 299; ++n) CHECK(w.step(f, 0.2F).safe);
    w.brown_out = true;
    CHECK(w.step(f, 0.2F).safe);
    w.brown_out = false;
    for (int n = 0; n < 300; ++n) CHECK(w.step(f, 0.2F).safe);
    CHECK(!w.step(f, 0.2F).safe);
    // One lone message recovers nothing: it is too old before the time is over.
    w.cut[0] = w.cut[1] = w.cut[2] = true;
    w.run(f, 0.2F, 1000);
    w.cut[0] = w.cut[1] = w.cut[2] = false;
    w.step(f, 0.2F);
    w.cut[0] = w.cut[1] = w.cut[2] = true;
    CHECK(w.run(f, 0.2F, 1000).safe);
    // Nor does a task that was not called while the time went by.
    w.cut[0] = w.cut[1] = w.cut[2] = false;
    CHECK(w.step(f, 0.2F).safe);
    CHECK(w.step(f, 0.2F, 2000000U).safe);
    CHECK(w.run(f, 0.2F, 299).safe);
    CHECK(!w.run(f, 0.2F, 2).safe);
}

TEST_CASE("the stronger state wins, and stays until it recovers") {
    Of f(motor, inputs, Trouble::reboot);
    World w;
    w.run(f, 0.0F, 502);
    w.cut[0] = true;  // off
    CHECK(!w.run(f, 0.0F, 200).powered);
    w.cut[2] = true;  // and brake
    CHECK(w.run(f, 0.0F, 200).value == -0.5F);
    w.cut[2] = false;
    const auto out = w.run(f, 0.0F, 200);
    CHECK(out.value == -0.5F);
    CHECK(out.powered);
    CHECK(out.because == 1U << unsigned(Trouble::radio_loss));
}

TEST_CASE("a safe value is approached at the stated rate, and power goes off when it is reached") {
    fw::FailsafeActuator a = servo;
    a.on[0] = SafeState::off;
    Of f(a, inputs, Trouble::reboot);
    World w;
    w.run(f, 0.4F, 302);
    w.cut[0] = true;
    auto out = w.run(f, 0.4F, 99);
    CHECK(!out.safe);
    float before = out.value;
    int steps = 0;
    do {
        out = w.step(f, 0.4F);
        CHECK(out.value <= before);
        CHECK(before - out.value <= 2.001e-3F);
        before = out.value;
        ++steps;
    } while (out.powered && steps < 1000);
    CHECK(out.value == 0.1F);
    CHECK(steps == doctest::Approx(150).epsilon(0.02));  // 0.3 at 2 a second
}

TEST_CASE("commands are held within limits, and what is no number is stale data") {
    Of f(motor, inputs, Trouble::reboot);
    World w;
    w.run(f, 0.0F, 502);
    CHECK(w.run(f, 7.0F, 1).value == 1.0F);
    CHECK(w.run(f, -7.0F, 1).value == -1.0F);
    for (const float bad :
         {std::numeric_limits<float>::quiet_NaN(), std::numeric_limits<float>::infinity()}) {
        const auto out = w.run(f, bad, 1);
        CHECK(out.safe);
        CHECK(out.value == -0.5F);
        CHECK(!w.run(f, 0.0F, 502).safe);
    }
    // Time that goes back, and stamps from the future.
    w.now -= 400000U;
    CHECK(w.run(f, 0.5F, 1).safe);
    CHECK(!w.run(f, 0.0F, 502).safe);
    w.made[0] = w.now + 3600000000U;
    w.cut[0] = true;
    CHECK(w.run(f, 0.5F, 1).safe);
}

TEST_CASE("what is not sound stays off") {
    fw::FailsafeActuator bad[6] = {motor, motor, motor, motor, motor, motor};
    bad[0].on[2] = SafeState::hold;
    bad[1].good_for = 100000U;
    bad[2].neutral = 2.0F;
    bad[3].high = std::numeric_limits<float>::quiet_NaN();
    bad[4].rate = -1.0F;
    bad[5].on[0] = SafeState(9);
    for (const auto& a : bad) {
        CHECK(!fw::failsafe_sound(a, inputs));
        Of f(a, inputs, Trouble::reboot);
        World w;
        const auto out = w.run(f, 0.0F, 3000);
        CHECK(out.safe);
        CHECK(!out.powered);
    }
}

TEST_CASE("every sequence of three troubles, each short or long, and whatever happens at random") {
    // What an onlooker knows: ages, and since when all was good.
    uint64_t random = 3;
    const auto dice = [&](uint32_t n) {
        random = random * 6364136223846793005U + 1442695040888963407U;
        return uint32_t(random >> 33) % n;
    };
    long drove = 0;
    long safe = 0;
    const auto watch = [&](const fw::FailsafeActuator& a, const std::vector<int>& sequence) {
        Of f(a, inputs, Trouble::reboot);
        World w;
        uint64_t good_since = 0;
        bool was_safe = true;
        float last = a.neutral;
        size_t at = 0;
        int left = 0;
        bool bad_number = false;
        for (int n = 0; n < 4000; ++n) {
            if (left-- <= 0) {
                const int what = at < sequence.size() ? sequence[at++] : 0;
                for (int k = 0; k < 3; ++k) w.cut[k] = (what >> k & 1) != 0;
                w.brown_out = (what & 8) != 0;
                bad_number = (what & 16) != 0;
                if ((what & 32) != 0) {
                    f = Of(a, inputs, Trouble::brown_out);
                    good_since = 0;
                    was_safe = true;
                    last = a.neutral;
                }
                left = 20 + int(dice(2) == 0 ? dice(60) : dice(800));
            }
            float asked = dice(3) == 0 ? 0.0F : float(dice(2001)) * 1e-3F - 1.0F;
            if (bad_number) asked = std::numeric_limits<float>::quiet_NaN();
            const auto out = w.step(f, asked);
            bool good = !w.brown_out && std::isfinite(asked);
            for (int k = 0; k < 3; ++k)
                good = good && w.made[k] != 0U && w.now - w.made[k] <= inputs[k].oldest;
            if (!good) good_since = 0;
            if (good && good_since == 0) good_since = w.now;
            const bool zero = !a.needs_zero || std::fabs(asked - a.neutral) <= a.zero;
            const bool may = good && w.now - good_since >= a.good_for && zero;
            // Never with a stale input; out of a safe state only when it may, and then at once.
            if (!good && !out.safe) FAIL_CHECK("drives with a stale input");
            if (was_safe && !out.safe && !may) FAIL_CHECK("recovered too early");
            if (was_safe && out.safe && may) FAIL_CHECK("did not recover");
            if (!was_safe && out.safe && good) FAIL_CHECK("safe without a cause");
            if (!out.safe && !(out.value >= a.low && out.value <= a.high && out.powered)) FAIL_CHECK("value");
            if (out.safe && a.moves && out.powered && out.value > 0.0F) FAIL_CHECK("motor drives on");
            if (out.safe && a.rate > 0.0F && std::fabs(out.value - last) > a.rate * 1.001e-3F &&
                last != a.neutral)
                FAIL_CHECK("faster than the rate");
            was_safe = out.safe;
            last = out.value;
            (out.safe ? safe : drove) += 1;
        }
    };
    const int single[] = {1, 2, 4, 8, 16, 32};
    for (const auto* a : {&motor, &servo}) {
        for (const int x : single) {
            for (const int y : single) {
                for (const int z : single) watch(*a, {0, x, y, 0, z});
            }
        }
        for (int n = 0; n < 100; ++n) {
            std::vector<int> sequence;
            for (int k = 0; k < 12; ++k) sequence.push_back(dice(3) == 0 ? 0 : int(dice(64)));
            watch(*a, sequence);
        }
    }
    CHECK(drove > 100000);
    CHECK(safe > 100000);
}
