// Whether a frame was of the structure's type must not be dropped.
#include <fifthwheel/link.hpp>

struct __attribute__((packed)) Frame {
    static constexpr uint8_t frame_type = 16;
    uint16_t speed;
};

int main() {
    Frame frame{};
    fifthwheel::read_frame(fifthwheel::LinkFrame{}, &frame);
    return frame.speed;
}
