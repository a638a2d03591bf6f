// fifthwheel core: layout version shared by the car and the laptop.
#pragma once

namespace fifthwheel {

constexpr int core_version = 1;

}  // namespace fifthwheel
