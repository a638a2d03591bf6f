// A safe state is no trouble.
#include <fifthwheel/failsafe.hpp>

constexpr fifthwheel::FailsafeInput inputs[] = {{fifthwheel::SafeState::off, 100000U}};

int main() {
    fifthwheel::Failsafe<1> failsafe(fifthwheel::FailsafeActuator{}, inputs, fifthwheel::Trouble::reboot);
    const uint64_t made[1] = {1U};
    return failsafe.command(0.0F, 1U, made).safe ? 0 : 1;
}
