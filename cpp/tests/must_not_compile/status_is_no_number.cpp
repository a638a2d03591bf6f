// A status must not be taken for a number or a truth value.
#include <fifthwheel/wheel.hpp>

int main() {
    fifthwheel::WheelSpeed<float> wheel(fifthwheel::WheelOptions<float>{});
    const bool fine = wheel.update(1U, 1000U);
    return fine ? 0 : 1;
}
