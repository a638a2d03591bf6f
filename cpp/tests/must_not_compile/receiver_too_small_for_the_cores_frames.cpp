// A receiver must hold the frames that every link has.
#include <fifthwheel/link.hpp>

int main() {
    fifthwheel::LinkReceiver<8> receiver(1);
    return int(receiver.take(0, 0));
}
