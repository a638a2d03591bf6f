// A status must not be taken for a number or a truth value.
#include <fifthwheel/wheel.hpp>

int main() {
    fifthwheel::WheelSpeed<float> wheel(14, 0.005F, 0.1F);
    const bool fine = wheel.update(1U, 0.001F);
    return fine ? 0 : 1;
}
