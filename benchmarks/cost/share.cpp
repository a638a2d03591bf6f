// Calls of share.hpp whose cost is counted.
#include <fifthwheel/share.hpp>

namespace {
struct Wheels {
    uint64_t made;
    float speed[4];
    int32_t turns[2];
};
fifthwheel::Share<Wheels, 2> shared(Wheels{});
Wheels value{};
}  // namespace

extern "C" {
void cost_share_write() {
    ++value.made;
    shared.write(value);
}
void cost_share_read() { shared.read<0>(value); }
}
