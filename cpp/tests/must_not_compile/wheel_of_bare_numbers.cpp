// Bits, thresholds and time-outs have names: numbers in a row would be mixed up.
#include <fifthwheel/wheel.hpp>

int main() {
    const fifthwheel::WheelSpeed<float> wheel(14, 0.005F, 0.1F);
    return wheel.speed() > 0.0F ? 1 : 0;
}
