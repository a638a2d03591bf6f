// Types 0 to 15 are the core's own: a frame of the layout must not take one.
#include <fifthwheel/link.hpp>

struct __attribute__((packed)) Frame {
    static constexpr uint8_t frame_type = 15;
    uint16_t speed;
};

int main() {
    fifthwheel::LinkSender sender({1, 1, 0});
    uint8_t out[64];
    size_t size = 0;
    return sender.send(Frame{1}, 0, out, &size) == fifthwheel::Status::ok ? 0 : 1;
}
