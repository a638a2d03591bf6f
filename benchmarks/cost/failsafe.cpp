// Calls of failsafe.hpp whose cost is counted: a motor with three inputs, driving and in its safe state.
#include <fifthwheel/failsafe.hpp>

namespace fw = fifthwheel;

namespace {
constexpr fw::FailsafeInput inputs[] = {
    {fw::Trouble::radio_loss, 100000U}, {fw::Trouble::link_loss, 50000U}, {fw::Trouble::stale_data, 20000U}};
constexpr fw::FailsafeActuator motor = {
    {fw::SafeState::off, fw::SafeState::off, fw::SafeState::off, fw::SafeState::off, fw::SafeState::off},
    -1.0F,
    1.0F,
    0.0F,
    -0.5F,
    2.0F,
    150000U,
    true,
    0.05F,
    true};
fw::Failsafe<3> driving(motor, inputs, fw::Trouble::reboot);
fw::Failsafe<3> stopped(motor, inputs, fw::Trouble::reboot);
uint64_t now = 1000000U;
volatile float sink = 0.0F;
}  // namespace

extern "C" {
void cost_failsafe_driving() {
    now += 1000U;
    const uint64_t made[3] = {now, now, now};
    sink = driving.command(0.01F, now, made).value;
}
void cost_failsafe_stopped() {
    now += 1000U;
    const uint64_t made[3] = {1U, now, now};
    sink = stopped.command(0.5F, now, made).value;
}
}
