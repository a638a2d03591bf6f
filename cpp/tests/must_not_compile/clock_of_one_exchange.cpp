// A rate needs two exchanges: an estimate must keep at least as many.
#include <fifthwheel/clock.hpp>

int main() {
    fifthwheel::ClockEstimate<1> estimate{fifthwheel::ClockLimits{}};
    return int(estimate.steps());
}
