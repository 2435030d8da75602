from decimal import Decimal

import django.core.validators
import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('charges', '0005_checklists_of_the_shop'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AddField(
            model_name='boardtest',
            name='prong',
            field=models.CharField(blank=True, choices=[('none', 'None'), ('slight', 'Slight'), ('strong', 'Strong')], max_length=6, verbose_name='casehardening by prong test'),
        ),
        migrations.CreateModel(
            name='Degrade',
            fields=[
                ('id', models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name='ID')),
                ('cause', models.CharField(choices=[('before', 'Before arrival'), ('stacking', 'Stacking'), ('drying', 'Drying'), ('handling', 'Handling')], max_length=8)),
                ('volume_bf', models.DecimalField(decimal_places=2, max_digits=10, validators=[django.core.validators.MinValueValidator(Decimal('0.01'))])),
                ('note', models.CharField(blank=True, max_length=200)),
                ('at', models.DateTimeField()),
                ('by', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('charge_lot', models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name='degrade', to='charges.chargelot')),
            ],
            options={
                'ordering': ['charge_lot', 'id'],
                'verbose_name_plural': 'degrade',
            },
        ),
    ]
