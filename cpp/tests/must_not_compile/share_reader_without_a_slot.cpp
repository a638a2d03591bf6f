// A reader beyond the stated number has no slot and must not read.
#include <fifthwheel/share.hpp>

int main() {
    fifthwheel::Share<float, 2> share(0.0F);
    float out = 0.0F;
    share.read<2>(out);
    return 0;
}
