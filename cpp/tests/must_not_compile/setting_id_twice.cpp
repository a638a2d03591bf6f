// Two settings must not have one id.
#include <fifthwheel/settings.hpp>

inline constexpr fifthwheel::Setting table[] = {{1, "slip_target", "1", 0.0F, 0.3F, 0.1F},
                                                {1, "top_speed", "m/s", 0.0F, 50.0F, 30.0F}};

int main() {
    const fifthwheel::Settings<table> settings(0);
    return settings.count - 2;
}
