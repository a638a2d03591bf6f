// The whole program of the board that car.toml calls "front". Build it with the headers that `fifthwheel
// generate` wrote:
//
//   c++ -std=c++17 -I cpp/include -I CAR/build cpp/examples/front.cpp
//
// On the car StubPlatform is your own platform, and run_for is five tasks of the kernel (tasks.hpp).
#include "firmware.hpp"
#include "platform.hpp"

namespace car = fifthwheel::car;

int main() {
    static car::StubPlatform platform;
    static car::Firmware<car::front::Map, car::StubPlatform> program(platform);
    if (program.start() != fifthwheel::Status::ok && car::front::Map::has_card) return 1;
    car::run_for<car::front::Map>(platform, program, 1000000);
    return 0;
}
