// What came of a call must not be dropped: a warning, and warnings are errors.
#include <fifthwheel/wheel.hpp>

int main() {
    fifthwheel::WheelSpeed<float> wheel(14, 0.005F, 0.1F);
    wheel.update(1U, 0.001F);
    return 0;
}
