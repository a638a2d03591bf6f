// The time of every input that is watched must be handed over.
#include <fifthwheel/failsafe.hpp>

constexpr fifthwheel::FailsafeInput inputs[] = {{fifthwheel::Trouble::radio_loss, 100000U},
                                                {fifthwheel::Trouble::link_loss, 50000U}};

int main() {
    fifthwheel::Failsafe<2> failsafe(fifthwheel::FailsafeActuator{}, inputs, fifthwheel::Trouble::reboot);
    const uint64_t made[1] = {1U};
    return failsafe.command(0.0F, 1U, made).safe ? 0 : 1;
}
