// The type that is shared is the type that is written.
#include <fifthwheel/share.hpp>

struct Wheel {
    float speed;
};
struct Motor {
    float speed;
};

int main() {
    fifthwheel::Share<Wheel, 1> share(Wheel{});
    share.write(Motor{});
    return 0;
}
