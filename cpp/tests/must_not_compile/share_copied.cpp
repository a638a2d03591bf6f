// A copy would be another place than the one the other task writes to.
#include <fifthwheel/share.hpp>

int main() {
    fifthwheel::Share<float, 1> share(0.0F);
    fifthwheel::Share<float, 1> copy = share;
    return 0;
}
