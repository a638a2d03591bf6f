// What came of a call must not be dropped: a warning, and warnings are errors.
#include <fifthwheel/wheel.hpp>

int main() {
    fifthwheel::WheelSpeed<float> wheel(fifthwheel::WheelOptions<float>{});
    wheel.update(1U, 1000U);
    return 0;
}
