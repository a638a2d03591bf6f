// The buffer must hold the frame with its header, its check, its stuffing and its zeros.
#include <fifthwheel/link.hpp>

struct __attribute__((packed)) Frame {
    static constexpr uint8_t frame_type = 16;
    uint8_t bytes[40];
};

int main() {
    fifthwheel::LinkSender sender({1, 1, 0});
    uint8_t out[40];
    size_t size = 0;
    return sender.send(Frame{}, 0, out, &size) == fifthwheel::Status::ok ? 0 : 1;
}
