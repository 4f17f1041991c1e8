# SPDX-License-Identifier: GPL-3.0-or-later
"""The preview's shaders, compiled at first use.

All of them work in pixels of the region: a piece of line becomes a rectangle around it, and
the fragment measures its distance to the piece.
"""

from __future__ import annotations

import functools
from typing import Any

import gpu

__all__ = ["compose_shader", "forget", "glow_shader", "line_shader"]

_PLACE_PIECE = """
// Ends on the screen, in pixels from its middle; false where all of it lies behind the eye.
bool on_screen(vec4 ends, out vec2 a, out vec2 b)
{
  vec4 p = to_clip * vec4(ends.xy, 0.0, 1.0);
  vec4 q = to_clip * vec4(ends.zw, 0.0, 1.0);
  const float least = 1e-4;
  if (p.w < least && q.w < least) {
    return false;
  }
  if (p.w < least) {
    p = mix(p, q, (least - p.w) / (q.w - p.w));
  }
  else if (q.w < least) {
    q = mix(q, p, (least - q.w) / (p.w - q.w));
  }
  a = 0.5 * screen.xy * p.xy / p.w;
  b = 0.5 * screen.xy * q.xy / q.w;
  return true;
}
"""

_LINE_VERTEX = (
    _PLACE_PIECE
    + """
void main()
{
  vec2 a, b;
  if (!on_screen(ends, a, b)) {
    gl_Position = vec4(2.0, 2.0, 2.0, 1.0);
    return;
  }
  vec2 way = b - a;
  float far = length(way);
  vec2 u = far > 1e-4 ? way / far : vec2(1.0, 0.0);
  vec2 n = vec2(-u.y, u.x);
  float half_width = 0.5 * style.z * screen.z;
  float reach = half_width + 1.0;
  bool end = mod(style.x, 2.0) > 0.5;
  bool side = style.x > 1.5;
  local = vec2(end ? far + reach : -reach, side ? reach : -reach);
  piece = vec4(far, half_width, style.w, style.y * screen.w);
  tint = colour;
  vec2 place = a + u * local.x + n * local.y;
  gl_Position = vec4(2.0 * place / screen.xy, 0.0, 1.0);
}
"""
)

_TO_TARGET = """
// Blender says by this name whether the framebuffer encodes what is written into it.
vec4 for_target(vec4 c)
{
  if (!srgbTarget) {
    return c;
  }
  vec3 low = c.rgb / 12.92;
  vec3 high = pow((max(c.rgb, vec3(0.0)) + 0.055) / 1.055, vec3(2.4));
  return vec4(mix(high, low, vec3(lessThanEqual(c.rgb, vec3(0.04045)))), c.a);
}
"""

_LINE_FRAGMENT = (
    _TO_TARGET
    + """
void main()
{
  float far = piece.x, half_width = piece.y, pattern = piece.z;
  float x = local.x - clamp(local.x, 0.0, far);
  float d = length(vec2(x, local.y));
  float cover = clamp(half_width + 0.5 - d, 0.0, 1.0);
  float unit = screen.z;
  float place = (piece.w + local.x) / unit;
  if (pattern > 3.5) {  // ring
    cover *= clamp(d - half_width + 1.3 * unit + 0.5, 0.0, 1.0);
  }
  else if (pattern > 2.5) {  // dash, dot
    float at = mod(place, 16.0);
    cover *= (at < 8.0 || (at > 11.0 && at < 13.0)) ? 1.0 : 0.0;
  }
  else if (pattern > 1.5) {  // dots
    cover *= mod(place, 5.0) < 2.0 ? 1.0 : 0.0;
  }
  else if (pattern > 0.5) {  // dashes
    cover *= mod(place, 9.0) < 5.0 ? 1.0 : 0.0;
  }
  if (cover <= 0.0) {
    discard;
  }
  result = for_target(vec4(tint.rgb, tint.a * cover));
}
"""
)

_GLOW_VERTEX = (
    _PLACE_PIECE
    + """
void main()
{
  vec2 a, b;
  if (!on_screen(ends, a, b)) {
    gl_Position = vec4(2.0, 2.0, 2.0, 1.0);
    return;
  }
  vec2 way = b - a;
  float far = length(way);
  vec2 u = far > 1e-4 ? way / far : vec2(1.0, 0.0);
  vec2 n = vec2(-u.y, u.x);
  float reach = 3.0 * screen.z;
  bool end = mod(energy.w, 2.0) > 0.5;
  bool side = energy.w > 1.5;
  local = vec2(end ? far + reach : -reach, side ? reach : -reach);
  piece = vec4(energy.rgb * screen.w, far);
  vec2 place = a + u * local.x + n * local.y;
  gl_Position = vec4(2.0 * place / screen.xy, 0.0, 1.0);
}
"""
)

_GLOW_FRAGMENT = """
// Abramowitz and Stegun 7.1.27.
float error_function(float x)
{
  float s = abs(x);
  float p = 1.0 + s * (0.278393 + s * (0.230389 + s * (0.000972 + s * 0.078108)));
  p *= p;
  return sign(x) * (1.0 - 1.0 / (p * p));
}

// The piece's light, spread evenly over its length, seen through a round Gaussian spot. Pieces
// in a row add up to the spot drawn along the whole path, without seams.
void main()
{
  float far = piece.w, sigma = screen.z;
  float across = exp(-0.5 * local.y * local.y / (sigma * sigma));
  float along;
  if (far > 0.05 * sigma) {
    float scale = 0.70710678 / sigma;
    along = 0.5 * (error_function(local.x * scale) - error_function((local.x - far) * scale)) / far;
  }
  else {
    float x = local.x - 0.5 * far;
    along = exp(-0.5 * x * x / (sigma * sigma)) / (2.50662827 * sigma);
  }
  result = vec4(piece.rgb * across * along, 1.0);
}
"""

_COMPOSE_VERTEX = """
void main()
{
  place = 0.5 * corner + 0.5;
  gl_Position = vec4(corner, 0.0, 1.0);
}
"""

_COMPOSE_FRAGMENT = """
vec3 encode(vec3 c)
{
  vec3 low = 12.92 * c;
  vec3 high = 1.055 * pow(max(c, vec3(1e-6)), vec3(1.0 / 2.4)) - 0.055;
  return mix(high, low, vec3(lessThanEqual(c, vec3(0.0031308))));
}

void main()
{
  vec3 light = amount.x * texture(core, place).rgb + amount.y * texture(halo, place).rgb;
  // The eye and every camera wash out where a colour is far too bright.
  float brightest = max(light.r, max(light.g, light.b));
  light += 0.12 * max(brightest - 1.0, 0.0);
  vec3 seen = 1.0 - exp(-1.9 * light);
  // The share of what is left goes by how it looks; an encoding framebuffer blends light.
  float darken = srgbTarget ? 1.0 - pow(1.0 - amount.z, 2.2) : amount.z;
  result = vec4(srgbTarget ? seen : encode(seen), darken);
}
"""


def _interface(*variables: tuple[str, str, bool]) -> Any:
    interface = gpu.types.GPUStageInterfaceInfo("beamwright_varying")
    for kind, name, flat in variables:
        (interface.flat if flat else interface.smooth)(kind, name)
    return interface


@functools.cache
def line_shader() -> Any:
    """Return the shader of `drawing.LineBatch`.

    ``screen`` holds width and height of the region, pixels of a unit of width, and pixels of
    a unit of the field.
    """
    info = gpu.types.GPUShaderCreateInfo()
    info.push_constant("MAT4", "to_clip")
    info.push_constant("VEC4", "screen")
    info.push_constant("BOOL", "srgbTarget")
    for place, name in enumerate(("ends", "colour", "style")):
        info.vertex_in(place, "VEC4", name)
    info.vertex_out(
        _interface(("VEC2", "local", False), ("VEC4", "piece", True), ("VEC4", "tint", True))
    )
    info.fragment_out(0, "VEC4", "result")
    info.vertex_source(_LINE_VERTEX)
    info.fragment_source(_LINE_FRAGMENT)
    return gpu.shader.create_from_info(info)


@functools.cache
def glow_shader() -> Any:
    """Return the shader of `drawing.LightBatch`; ``screen.z`` is the spot's sigma in pixels."""
    info = gpu.types.GPUShaderCreateInfo()
    info.push_constant("MAT4", "to_clip")
    info.push_constant("VEC4", "screen")
    info.vertex_in(0, "VEC4", "ends")
    info.vertex_in(1, "VEC4", "energy")
    info.vertex_out(_interface(("VEC2", "local", False), ("VEC4", "piece", True)))
    info.fragment_out(0, "VEC4", "result")
    info.vertex_source(_GLOW_VERTEX)
    info.fragment_source(_GLOW_FRAGMENT)
    return gpu.shader.create_from_info(info)


@functools.cache
def compose_shader() -> Any:
    """Return the shader that puts light over the view; ``amount``: core, halo, darkening."""
    info = gpu.types.GPUShaderCreateInfo()
    info.push_constant("VEC4", "amount")
    info.push_constant("BOOL", "srgbTarget")
    info.sampler(0, "FLOAT_2D", "core")
    info.sampler(1, "FLOAT_2D", "halo")
    info.vertex_in(0, "VEC2", "corner")
    info.vertex_out(_interface(("VEC2", "place", False)))
    info.fragment_out(0, "VEC4", "result")
    info.vertex_source(_COMPOSE_VERTEX)
    info.fragment_source(_COMPOSE_FRAGMENT)
    return gpu.shader.create_from_info(info)


def forget() -> None:
    """Drop the compiled shaders; the next use compiles them again."""
    for shader in (line_shader, glow_shader, compose_shader):
        shader.cache_clear()
