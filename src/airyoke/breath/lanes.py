"""Eight numbers side by side: what a processor computes at once, as a value that compiled code can add and multiply.

Scenarios are independent, so the engine advances eight of them with one stream of instructions; a lane holds one.
The compiler does not find this by itself in loops of this size, so the type is spelled out: inside ``njit`` a
``Lanes`` value understands ``+ - * /`` and unary minus with other lanes or plain numbers, and the functions below.
Every operation is the IEEE one on each lane by itself: no result depends on its neighbours. A processor with narrower
registers does the same in two or four instructions.
"""

# The insides of the compiler carry no types.
# mypy: disable-error-code="no-untyped-call,untyped-decorator"

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import llvmlite.ir as ir
from numba import extending
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, models, register_model

LANES = 8

# Untyped on purpose: the decorated functions are called from compiled code, without their first argument.
intrinsic: Any = extending.intrinsic

_VECTOR = ir.VectorType(ir.DoubleType(), LANES)
_BITS = ir.VectorType(ir.IntType(64), LANES)


def _constant(value: int) -> Any:
    return ir.Constant(_BITS, [value] * LANES)


class LanesType(types.Type):
    """The type of eight doubles side by side, as the compiler knows it."""

    def __init__(self) -> None:
        super().__init__(name=f"Lanes{LANES}")


LANES_TYPE = LanesType()


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, dmm: Any, fe_type: Any) -> None:
        super().__init__(dmm, fe_type, _VECTOR)


def _spread(builder: Any, value: Any, kind: Any) -> Any:
    """A plain number in every lane; lanes as they are."""
    if isinstance(kind, LanesType):
        return value
    first = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), value, ir.Constant(ir.IntType(32), 0))
    zeros = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
    return builder.shuffle_vector(first, ir.Constant(_VECTOR, ir.Undefined), zeros)


def _arithmetic(operation: Callable[..., Any], emit: str) -> None:
    class _Typing(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            if len(args) == 2 and any(isinstance(a, LanesType) for a in args):
                kinds = [a if isinstance(a, LanesType) else types.float64 for a in args]
                return signature(LANES_TYPE, *kinds)
            return None

    infer_global(operation)(_Typing)

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        left, right = (_spread(builder, value, kind) for value, kind in zip(args, sig.args, strict=True))
        return getattr(builder, emit)(left, right)

    for kinds in ((LanesType, LanesType), (LanesType, types.Float), (types.Float, LanesType)):
        lower_builtin(operation, *kinds)(code)


_arithmetic(operator.add, "fadd")
_arithmetic(operator.sub, "fsub")
_arithmetic(operator.mul, "fmul")
_arithmetic(operator.truediv, "fdiv")


def _address(context: Any, builder: Any, kind: Any, block: Any, row: Any) -> Any:
    data = context.make_array(kind)(context, builder, value=block).data
    start = builder.mul(row, ir.Constant(row.type, LANES))
    return builder.bitcast(builder.gep(data, [start]), _VECTOR.as_pointer())


@intrinsic
def get(typingctx: Any, block: Any, row: Any) -> Any:
    """Row ``row`` of a C-ordered block of shape (rows, LANES)."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.load(_address(context, builder, sig.args[0], *args), align=8)

    return LANES_TYPE(block, types.intp), code


@intrinsic
def put(typingctx: Any, block: Any, row: Any, value: Any) -> Any:
    """Write row ``row`` of a C-ordered block of shape (rows, LANES)."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        lanes = _spread(builder, args[2], sig.args[2])
        builder.store(lanes, _address(context, builder, sig.args[0], args[0], args[1]), align=8)
        return context.get_dummy_value()

    return types.void(block, types.intp, value if isinstance(value, LanesType) else types.float64), code


def _kinds(*values: Any) -> list[Any]:
    return [v if isinstance(v, LanesType) else types.float64 for v in values]


@intrinsic
def pick(typingctx: Any, one: Any, other: Any, if_greater: Any, otherwise: Any) -> Any:
    """Lane by lane ``if_greater`` where ``one`` > ``other``; ``otherwise`` elsewhere, also for what is no number."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, b, yes, no = (_spread(builder, value, kind) for value, kind in zip(args, sig.args, strict=True))
        return builder.select(builder.fcmp_ordered(">", a, b), yes, no)

    return LANES_TYPE(*_kinds(one, other, if_greater, otherwise)), code


@intrinsic
def larger(typingctx: Any, one: Any, other: Any) -> Any:
    """Lane by lane the larger; ``other`` where one of the two is no number."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, b = (_spread(builder, value, kind) for value, kind in zip(args, sig.args, strict=True))
        return builder.select(builder.fcmp_ordered(">", a, b), a, b)

    return LANES_TYPE(*_kinds(one, other)), code


@intrinsic
def smaller(typingctx: Any, one: Any, other: Any) -> Any:
    """Lane by lane the smaller; ``other`` where one of the two is no number."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, b = (_spread(builder, value, kind) for value, kind in zip(args, sig.args, strict=True))
        return builder.select(builder.fcmp_ordered("<", a, b), a, b)

    return LANES_TYPE(*_kinds(one, other)), code


def _llvm(name: str, value: Any) -> tuple[Any, Callable[..., Any]]:
    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = ir.FunctionType(_VECTOR, [_VECTOR])
        return builder.call(cgutils.get_or_insert_function(builder.module, kind, f"{name}.v{LANES}f64"), args)

    return LANES_TYPE(value), code


@intrinsic
def root(typingctx: Any, value: Any) -> Any:
    """Square root, correctly rounded."""
    return _llvm("llvm.sqrt", value)


@intrinsic
def magnitude(typingctx: Any, value: Any) -> Any:
    """Absolute value."""
    return _llvm("llvm.fabs", value)


@intrinsic
def exponent(typingctx: Any, value: Any) -> Any:
    """k of value = m 2^k with 1 <= m < 2, of positive normal numbers."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        bits = builder.bitcast(args[0], _BITS)
        return builder.sitofp(builder.sub(builder.lshr(bits, _constant(52)), _constant(1023)), _VECTOR)

    return LANES_TYPE(value), code


@intrinsic
def mantissa(typingctx: Any, value: Any) -> Any:
    """m of value = m 2^k with 1 <= m < 2, of positive normal numbers."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        bits = builder.and_(builder.bitcast(args[0], _BITS), _constant((1 << 52) - 1))
        return builder.bitcast(builder.or_(bits, _constant(1023 << 52)), _VECTOR)

    return LANES_TYPE(value), code


@intrinsic
def any_above(typingctx: Any, value: Any, bound: Any) -> Any:
    """Whether a lane is above ``bound``."""

    def code(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        a, b = (_spread(builder, one, kind) for one, kind in zip(args, sig.args, strict=True))
        bits = builder.bitcast(builder.fcmp_ordered(">", a, b), ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.Constant(ir.IntType(LANES), 0))

    return types.boolean(*_kinds(value, bound)), code
