// A setting must not begin with a value that it would refuse.
#include <fifthwheel/settings.hpp>

inline constexpr fifthwheel::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.4F}};

int main() {
    const fifthwheel::Settings<table> settings(0);
    return settings.count - 1;
}
