// What owns something cannot be copied word by word.
#include <fifthwheel/share.hpp>

struct Owner {
    Owner() = default;
    Owner(const Owner&) {}
    Owner& operator=(const Owner&) { return *this; }
};

int main() {
    fifthwheel::Share<Owner, 1> share(Owner{});
    return 0;
}
